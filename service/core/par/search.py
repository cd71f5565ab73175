"""Improves levels by single steps and swaps, within a stated amount of work.

Source: common practice (local search with repair), no source.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from service.core.par.goal import SLACK, Goal
from service.core.par.model import ParModel
from service.core.par.readiness_sum import Floats, Ints, Steps
from service.core.par.starts import FREE_MINOR, over

__all__ = ["Search"]

NO_LOSS = 1e-15
OVERHEAD = 4_000
"""Work of one step that does not grow with the problem."""
WORK_LIMIT = 150_000_000


@dataclass(slots=True)
class Search:
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
                worth = self._worth_dropping(levels, steps, over(self.model, self.goal, levels))
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
                can = self.model.prices_minor(levels) <= -over(self.model, self.goal, levels)
                worth = np.where(can, self._worth_adding(levels, steps, np.inf), 0.0)
                going = self._stepped(levels, worth, 1, barred)
        return levels
