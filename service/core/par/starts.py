"""Levels to start the search from: ample ones, thinned out by what each unit is worth.

Units go, least readiness lost per money saved first. Going up from empty shelves would be blind:
a construct of several items gains nothing until its last item is there.

Source: marginal allocation (B. L. Fox 1966, "Discrete optimization via marginal analysis";
C. C. Sherbrooke 1968, METRIC; both from memory), here without the concavity that would make it
exact, therefore followed by local improvement.
"""

from dataclasses import replace

import numpy as np

from service.core.par.bundles import build_up
from service.core.par.goal import SLACK, Goal
from service.core.par.model import ParModel
from service.core.par.readiness_sum import Floats, Ints

__all__ = ["FREE_MINOR", "over", "starts", "thin_out"]

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
    >>> from service.core.par.reading import read_par_problem
    >>> from service.core.par.model import build_model
    >>> model = build_model(read_par_problem({
    ...     "arrivals_per_day": 0.5, "budget": 0,
    ...     "items": [{"item": "screw", "unit_cost": 1, "lead_time_days": 4}],
    ...     "case_mix": [{"weight": 1, "case": {
    ...         "needs": [{"need": "fix", "probability": 1, "constructs": ["one"]}],
    ...         "constructs": [{"construct": "one", "takes": [{"items": [{"screw": 1}]}]}]}}]}))
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
            spend, room = savings.astype(np.float64), over(model, goal, levels)
        if room <= 0.0 or not can_go.any():
            return levels
        ratios = np.where(can_go, steps.losses / np.maximum(savings, FREE_MINOR), np.inf)
        levels = _without_batch(model, levels, ratios, spend, room)


def over(model: ParModel, goal: Goal, levels: Ints) -> float:
    """Return the money by which the levels exceed the goal's budget; negative within it.

    Examples
    --------
    >>> from service.core.par.model import build_model
    >>> from service.core.par.problem import ParItem, ParProblem
    >>> model = build_model(ParProblem(0.5, (), (ParItem("nail", 500, 7.0, minimum=2),)))
    >>> over(model, Goal(None, 600), model.floors)
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


def starts(model: ParModel, goal: Goal) -> list[Ints]:
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
    >>> from service.core.par.reading import read_par_problem
    >>> pair = {"construct": "both", "takes": [{"items": [{"nail": 1, "screw": 1}]}]}
    >>> needs = [{"need": "fix", "probability": 1, "constructs": ["both"]}]
    >>> model = build_model(read_par_problem({
    ...     "arrivals_per_day": 0.5, "budget": 0,
    ...     "items": [{"item": "nail", "unit_cost": 5, "lead_time_days": 1},
    ...               {"item": "screw", "unit_cost": 1, "lead_time_days": 4}],
    ...     "case_mix": [{"weight": 1, "case": {"needs": needs, "constructs": [pair]}}]}))
    >>> [levels.tolist() for levels in starts(model, Goal(None, 9))]
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
        thinned += [build_up(model, goal, thrifty=thrifty) for thrifty in (True, False)]
    return thinned
