"""Improves levels by single steps and swaps, within a stated amount of work.

Source: common practice (local search with repair), no source.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from service.core.par.model import ParModel
from service.core.par.problem import SLACK, Goal
from service.core.par.readiness_sum import Floats, Ints, Steps

NO_LOSS = 1e-15


OVERHEAD = 4_000


"""Work of one step that does not grow with the problem."""


WORK_LIMIT = 150_000_000


@dataclass(slots=True)
class LevelSearch:
    """Improves levels step by step, within a stated amount of work.

    Parameters
    ----------
    model
        Readiness and cost by level.
    goal
        What is asked.
    work
        Number of factors multiplied so far; past the limit the search stops. Counting work and
        not time gives the same answer on every machine.
    """

    model: ParModel
    goal: Goal
    work: int = field(default=0)

    def best_from(self, starting: list[Ints]) -> Ints:
        """Improve each start with an equal share of the work and return the best result.

        Parameters
        ----------
        starting
            At least one start, each of shape (items,).

        Returns
        -------
        numpy.ndarray
            Levels that meet the goal if the start they come from did.
        """
        results = []
        for number, levels in enumerate(starting):
            share = (WORK_LIMIT - self.work) // (len(starting) - number)
            results.append(self.improve(levels, self.work + share))
        return min(results, key=self._rank)

    def improve(self, levels: Ints, limit: int = WORK_LIMIT) -> Ints:
        """Add or drop a unit, repair what that breaks, use what it frees; keep what is better.

        Parameters
        ----------
        levels
            Where to start; shape (items,).
        limit
            Work at which to stop.

        Returns
        -------
        numpy.ndarray
            Levels that meet the goal if the start did, and no single step leads to better ones,
            or the work is used up.
        """
        best = self._polished(levels, None)
        rank = self._rank(best)
        better = True
        while better and self.work < limit:
            better = False
            for item, change in self._moves(best):
                tried = self._moved(best, item, change)
                if tried is not None and self._rank(tried) < rank:
                    best, rank, better = tried, self._rank(tried), True
                if self.work >= limit:
                    break
        return best

    def _rank(self, levels: Ints) -> tuple[float, float]:
        self.work += self.model.readiness.size
        readiness, cost = self.model.readiness.value(levels), self.model.cost_minor(levels)
        unmet = 0.0 if self.goal.meets(readiness, cost) else np.inf
        first, second = self.goal.rank(readiness, cost)
        return (first + unmet, second)

    def _steps(self, levels: Ints) -> Steps:
        readiness = self.model.readiness
        looked_up = 2 * len(readiness.strides) * len(readiness.item_of)
        self.work += 3 * readiness.size + looked_up + OVERHEAD
        return readiness.steps(levels)

    def _moves(self, levels: Ints) -> Iterator[tuple[int, int]]:
        """Yield (item, change), most promising first, adding and dropping by turns."""
        steps = self._steps(levels)
        gain = steps.gains / np.maximum(self.model.prices_minor(levels), FREE_MINOR)
        gain = np.where(self.model.can_add(levels) & (steps.gains > SLACK), gain, -np.inf)
        loss = steps.losses / np.maximum(self.model.savings_minor(levels), FREE_MINOR)
        loss = np.where(self.model.can_drop(levels), loss, np.inf)
        adds, drops = self._in_order(-gain, 1), self._in_order(loss, -1)
        for turn in range(max(len(adds), len(drops))):
            yield from adds[turn : turn + 1]
            yield from drops[turn : turn + 1]

    def _in_order(self, measure: Floats, sign: int) -> list[tuple[int, int]]:
        """Return the moves of finite measure as (item, change), least first."""
        order = np.argsort(measure, axis=None, kind="stable")
        finite = order[np.isfinite(measure.ravel()[order])]
        return [(item, sign * change) for item, change in map(self._move, finite.tolist())]

    def _move(self, place: int) -> tuple[int, int]:
        """Return the item and stride of a place in a flattened (strides, items) array."""
        row, item = divmod(place, len(self.model.names))
        return item, self.model.readiness.strides[row]

    def _moved(self, levels: Ints, item: int, change: int) -> Ints | None:
        """Return the levels after a move, repaired and polished; None where that cannot be."""
        moved = levels.copy()
        moved[item] += change
        if not self.model.floors[item] <= moved[item] <= self.model.tops[item]:
            return None
        repaired = self._repaired(moved, item)
        return None if repaired is None else self._polished(repaired, item)

    def _repaired(self, levels: Ints, barred: int) -> Ints | None:
        """Make the levels meet the goal again without touching the item just moved."""
        levels = levels.copy()
        while True:
            steps = self._steps(levels)
            if self.goal.meets(steps.value, self.model.cost_minor(levels)):
                return levels
            if self.goal.target is not None:
                worth = self._worth_adding(levels, steps, self.goal.target - steps.value)
                sign = 1
            else:
                worth = self._worth_dropping(
                    levels, steps, cost_over_budget(self.model, self.goal, levels)
                )
                sign = -1
            if not self._stepped(levels, worth, sign, barred):
                return None

    def _stepped(self, levels: Ints, worth: Floats, sign: int, barred: int | None) -> bool:
        """Change the levels by the stride worth most; tell whether any was worth something."""
        if barred is not None:
            worth[:, barred] = 0.0
        place = int(np.argmax(worth))
        if worth.flat[place] <= 0.0:
            return False
        item, stride = self._move(place)
        levels[item] += sign * stride
        return True

    def _worth_adding(self, levels: Ints, steps: Steps, gap: float) -> Floats:
        prices = np.maximum(self.model.prices_minor(levels), FREE_MINOR)
        useful = self.model.can_add(levels) & (steps.gains > SLACK)
        return np.where(useful, np.minimum(steps.gains, gap) / prices, 0.0)

    def _worth_dropping(self, levels: Ints, steps: Steps, over: float) -> Floats:
        savings = np.minimum(self.model.savings_minor(levels), over)
        useful = self.model.can_drop(levels) & (savings > 0)
        return np.where(useful, savings / np.maximum(steps.losses, NO_LOSS), 0.0)

    def _polished(self, levels: Ints, barred: int | None) -> Ints:
        """Drop what the target does not need, or buy what the budget still pays for."""
        levels = levels.copy()
        going = True
        while going:
            steps = self._steps(levels)
            if self.goal.target is not None:
                can = steps.losses <= steps.value - self.goal.target + SLACK
                worth = np.where(can, self._worth_dropping(levels, steps, np.inf), 0.0)
                going = self._stepped(levels, worth, -1, barred)
            else:
                can = self.model.prices_minor(levels) <= -cost_over_budget(
                    self.model, self.goal, levels
                )
                worth = np.where(can, self._worth_adding(levels, steps, np.inf), 0.0)
                going = self._stepped(levels, worth, 1, barred)
        return levels


def buy_bundles(model: ParModel, goal: Goal, *, thrifty: bool) -> Ints:
    """Buy whole bundles from the floors upwards.

    A bundle is the least that can make a construct, or several that stand together, wholly
    there: of each independent part of it one outcome, the likeliest or the cheapest.

    Parameters
    ----------
    model
        Readiness and cost by level.
    goal
        A goal with a budget of at least the cost of the floors.
    thrifty
        Whether the bundle of most readiness per cost goes first, or that of most readiness. One
        of the two is at least half of the best when bundles share nothing (the knapsack problem).

    Returns
    -------
    numpy.ndarray
        Levels within the budget; shape (items,).

    Examples
    --------
    >>> from service.core.par.model import build_model
    >>> from service.core.par.problem import CaseType, MixEntry, ParConstruct, ParItem
    >>> from service.core.par.problem import ParNeed, ParProblem, ParTake
    >>> pair = ParConstruct("both", (ParTake((), ({"nail": 1, "screw": 2},)),))
    >>> case = CaseType("K", (), (ParNeed("fix", 1.0, (0,)),), (pair,))
    >>> items = (ParItem("nail", 5, 1.0), ParItem("screw", 1, 4.0))
    >>> model = build_model(ParProblem(0.5, (MixEntry(1.0, case),), items, budget_minor=0))
    >>> [buy_bundles(model, Goal(None, money), thrifty=True).tolist() for money in (9, 6)]
    [[1, 2], [0, 0]]
    """
    bundles = _bundles(model)
    levels = model.floors.copy()
    while len(bundles):
        value, spent = model.readiness.value(levels), model.cost_minor(levels)
        raised = np.maximum(levels, bundles)
        costs = np.array([model.cost_minor(row) for row in raised])
        gains = np.array(model.readiness.values(raised)) - value
        gains[[not goal.meets(0.0, int(cost)) for cost in costs]] = 0.0
        worth = gains / np.maximum(costs - spent, 1) if thrifty else gains
        chosen = int(np.argmax(worth))
        if gains[chosen] <= SLACK:
            break
        levels = raised[chosen]
    return levels


def _bundles(model: ParModel) -> Ints:
    """Return the least levels of each bundle, one a row, none twice."""
    total = model.readiness
    rows = []
    for groups in np.split(total.term_groups, total.term_start[1:])[:-1]:
        likeliest, cheapest = model.floors.copy(), model.floors.copy()
        for group in groups:
            outcomes = _outcomes(model, int(group))
            for row, (_, needed) in (
                (likeliest, max(outcomes, key=lambda outcome: outcome[0])),
                (cheapest, min(outcomes, key=lambda outcome: model.cost_minor(outcome[1]))),
            ):
                np.maximum(row, needed, out=row)
        rows += [likeliest, cheapest]
    if not rows:
        return np.zeros((0, len(model.floors)), dtype=np.int64)
    return np.unique(np.array(rows), axis=0)


def _outcomes(model: ParModel, group: int) -> list[tuple[float, Ints]]:
    """Return the chance and the levels needed of each outcome of a group."""
    total = model.readiness
    first, last = total.group_start[group : group + 2]
    outcomes = []
    for outcome in range(first, last):
        start, stop = total.outcome_start[outcome : outcome + 2]
        pairs = total.outcome_pairs[start:stop]
        known = pairs[pairs < len(total.pair_quantity)]
        needed = np.zeros(len(model.floors), dtype=np.int64)
        needed[total.item_of[known]] = total.pair_quantity[known]
        outcomes.append((float(total.outcome_chance[outcome]), needed))
    return outcomes


NOTHING_PER_MINOR = 1e-18


FREE_MINOR = 1e-3


"""A unit that costs nothing is weighed as if it cost this, so that ratios stay finite."""


BATCH_RATIO = 1.3


BATCH_ROOM = 0.05


LOW_READINESS = 0.2


SOFTENED = (0.05, 0.4)


def thin_out(model: ParModel, goal: Goal) -> Ints:
    """Take units away from ample levels while the goal allows or demands it.

    Parameters
    ----------
    model
        Readiness and cost by level.
    goal
        With a target: stops when no unit can go without missing it. With a budget: stops when
        the cost is within it, or all levels are at their floors.

    Returns
    -------
    numpy.ndarray
        Levels; shape (items,). With a target out of reach, the ample levels as they are.

    Examples
    --------
    >>> from service.core.par.model import build_model
    >>> from service.core.par.problem import CaseType, MixEntry, ParConstruct, ParItem
    >>> from service.core.par.problem import ParNeed, ParProblem, ParTake
    >>> one = ParConstruct("one", (ParTake((), ({"screw": 1},)),))
    >>> case = CaseType("K", (), (ParNeed("fix", 1.0, (0,)),), (one,))
    >>> items = (ParItem("screw", 1, 4.0),)
    >>> model = build_model(ParProblem(0.5, (MixEntry(1.0, case),), items, budget_minor=0))
    >>> thin_out(model, Goal(0.9, None)), thin_out(model, Goal(None, 3))
    (array([5]), array([3]))
    """
    levels = model.tops.copy()
    while True:
        steps = model.readiness.steps(levels)
        savings = model.savings_minor(levels)
        can_go = model.can_drop(levels)
        if goal.target is not None:
            spend, room = steps.losses, steps.value - goal.target + SLACK
            can_go &= spend <= room
        else:
            spend, room = savings.astype(np.float64), cost_over_budget(model, goal, levels)
        if room <= 0.0 or not can_go.any():
            return levels
        ratios = np.where(can_go, steps.losses / np.maximum(savings, FREE_MINOR), np.inf)
        levels = _without_batch(model, levels, ratios, spend, room)


def cost_over_budget(model: ParModel, goal: Goal, levels: Ints) -> float:
    """Return the money by which the levels exceed the goal's budget; negative within it.

    Examples
    --------
    >>> from service.core.par.model import build_model
    >>> from service.core.par.problem import ParItem, ParProblem
    >>> model = build_model(ParProblem(0.5, (), (ParItem("nail", 500, 7.0, minimum=2),)))
    >>> cost_over_budget(model, Goal(None, 600), model.floors)
    400.0
    """
    return float(model.cost_minor(levels) - (goal.budget_minor or 0))


def _without_batch(
    model: ParModel, levels: Ints, ratios: Floats, spend: Floats, room: float
) -> Ints:
    """Take one stride each of the items of about the least ratio, using little of the room."""
    items = np.arange(len(levels))
    stride = np.argmin(ratios, axis=0)
    least = ratios[stride, items]
    order = np.argsort(least, kind="stable")
    near = least[order] <= BATCH_RATIO * max(float(least[order[0]]), NOTHING_PER_MINOR)
    within = np.cumsum(spend[stride, items][order]) <= room * BATCH_ROOM
    count = max(1, int(np.argmin(np.append(near & within, False))))
    thinner = levels.copy()
    thinner[order[:count]] -= np.array(model.readiness.strides)[stride[order[:count]]]
    return thinner


def start_levels(model: ParModel, goal: Goal) -> list[Ints]:
    """Return levels to start the search from.

    Parameters
    ----------
    model, goal
        As for :func:`thin_out`.

    Returns
    -------
    list of numpy.ndarray
        Levels that meet the goal if any do. Under a budget so small that thinning out leaves no
        construct whole, all losses vanish and the choice is blind; so levels are also thinned out
        by a softened readiness, in which an absent item leaves some of a construct's worth, and
        where thinning out leaves little of use, whole constructs are bought from the floors up.

    Examples
    --------
    >>> from service.core.par.model import build_model
    >>> from service.core.par.problem import CaseType, MixEntry, ParConstruct, ParItem
    >>> from service.core.par.problem import ParNeed, ParProblem, ParTake
    >>> pair = ParConstruct("both", (ParTake((), ({"nail": 1, "screw": 1},)),))
    >>> case = CaseType("K", (), (ParNeed("fix", 1.0, (0,)),), (pair,))
    >>> items = (ParItem("nail", 5, 1.0), ParItem("screw", 1, 4.0))
    >>> model = build_model(ParProblem(0.5, (MixEntry(1.0, case),), items, budget_minor=0))
    >>> [levels.tolist() for levels in start_levels(model, Goal(None, 9))]
    [[1, 4], [1, 4], [1, 4]]
    """
    if goal.target is not None:
        return [thin_out(model, goal)]
    hard = model.readiness
    softened = [
        replace(model, readiness=replace(hard, table=soft + (1.0 - soft) * hard.table))
        for soft in SOFTENED
    ]
    thinned = [thin_out(version, goal) for version in (model, *softened)]
    if hard.value(thinned[0]) < LOW_READINESS:
        thinned += [buy_bundles(model, goal, thrifty=thrifty) for thrifty in (True, False)]
    return thinned
