"""Levels bought construct by construct, for budgets too small to look at items one by one."""

import numpy as np

from service.core.par.goal import SLACK, Goal
from service.core.par.model import ParModel
from service.core.par.readiness_sum import Ints

__all__ = ["build_up"]


def build_up(model: ParModel, goal: Goal, *, thrifty: bool) -> Ints:
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
    >>> from service.core.par.reading import read_par_problem
    >>> pair = {"construct": "both", "takes": [{"items": [{"nail": 1, "screw": 2}]}]}
    >>> needs = [{"need": "fix", "probability": 1, "constructs": ["both"]}]
    >>> model = build_model(read_par_problem({
    ...     "arrivals_per_day": 0.5, "budget": 0,
    ...     "items": [{"item": "nail", "unit_cost": 5, "lead_time_days": 1},
    ...               {"item": "screw", "unit_cost": 1, "lead_time_days": 4}],
    ...     "case_mix": [{"weight": 1, "case": {"needs": needs, "constructs": [pair]}}]}))
    >>> [build_up(model, Goal(None, money), thrifty=True).tolist() for money in (9, 6)]
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
