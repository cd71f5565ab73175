"""The best levels for certain, where few enough combinations of levels are left to look at.

Readiness never falls when a level rises. So the readiness with every other level as high as the
money allows bounds what a level can lead to, and levels that cannot beat the best choice known
are ruled out, first item by item, then combination by combination.

Source: branch and bound (A. H. Land, A. G. Doig 1960; from memory).
"""

from dataclasses import dataclass

import numpy as np

from service.core.par.model import ParModel
from service.core.par.problem import SLACK, Goal
from service.core.par.readiness_sum import Floats, Ints

MAX_ROWS = 60_000


MAX_DIGITS = 16.0


"""Decimal digits of the number of combinations past which the search is not begun."""


MAX_WORK = 400_000_000


LEAST_BETTER = 1e-9


@dataclass(frozen=True, slots=True)
class ExactResult:
    """What the exact search found.

    Parameters
    ----------
    levels
        The best levels known; shape (items,).
    complete
        Whether every combination was looked at or ruled out.
    """

    levels: Ints
    complete: bool


@dataclass(frozen=True, slots=True)
class _Threshold:
    """What a better choice must do: reach this readiness within this money."""

    readiness: float
    money_minor: int


def search_exactly(model: ParModel, goal: Goal, known: Ints) -> ExactResult:
    """Look for better levels than those known, or show that there are none.

    Parameters
    ----------
    model
        Readiness and cost by level.
    goal
        What is asked.
    known
        Levels that meet the goal; shape (items,).

    Returns
    -------
    ExactResult
        The best levels and whether that is certain. With a target "better" is cheaper, in minor
        units; with a budget it is readier by more than 1e-9.

    Examples
    --------
    >>> from service.core.par.model import build_model
    >>> from service.core.par.problem import CaseType, MixEntry, ParConstruct, ParItem
    >>> from service.core.par.problem import ParNeed, ParProblem, ParTake
    >>> one = ParConstruct("one", (ParTake((), ({"screw": 1},)),))
    >>> case = CaseType("K", (), (ParNeed("fix", 1.0, (0,)),), (one,))
    >>> items = (ParItem("screw", 1, 4.0),)
    >>> model = build_model(ParProblem(0.5, (MixEntry(1.0, case),), items, budget_minor=0))
    >>> search_exactly(model, Goal(0.9, None), np.array([9]))
    ExactResult(levels=array([5]), complete=True)
    """
    bar = _bar(model, goal, known)
    low, high = _narrowed(model, bar)
    if np.any(low > high):
        return ExactResult(known, complete=True)
    digits = float(np.sum(np.log10(high - low + 1.0)))
    rows = _rows(model, bar, low, high) if digits <= MAX_DIGITS else None
    if rows is None:
        return ExactResult(known, complete=False)
    if not len(rows):
        return ExactResult(known, complete=True)
    ranks = [
        goal.rank(float(value), model.cost_minor(row))
        for value, row in zip(model.readiness.values(rows), rows, strict=True)
    ]
    return ExactResult(rows[min(range(len(rows)), key=ranks.__getitem__)], complete=True)


def _bar(model: ParModel, goal: Goal, known: Ints) -> _Threshold:
    if goal.target is not None:
        return _Threshold(goal.target - SLACK, model.cost_minor(known) - 1)
    return _Threshold(model.readiness.value(known) + LEAST_BETTER, goal.budget_minor or 0)


def _narrowed(model: ParModel, bar: _Threshold) -> tuple[Ints, Ints]:
    """Return the range of each item's level that the bar leaves open; empty where low > high."""
    low, high = model.floors.copy(), model.tops.copy()
    while True:
        curves = model.readiness.along(high)
        lower = np.array(
            [max(int(least), _first(curve, bar)) for least, curve in zip(low, curves, strict=True)],
            dtype=np.int64,
        )
        if np.any(lower > high):
            return lower, high
        higher = np.minimum(high, _affordable(model, lower, bar)[0])
        if np.array_equal(lower, low) and np.array_equal(higher, high):
            return low, high
        low, high = lower, higher
        if np.any(low > high):
            return low, high


def _first(curve: Floats, bar: _Threshold) -> int:
    """Return the first level at which the curve reaches the bar, or one past its end."""
    reached = np.flatnonzero(curve >= bar.readiness)
    return int(reached[0]) if len(reached) else len(curve)


def _affordable(model: ParModel, low: Ints, bar: _Threshold, spent: Ints | None = None) -> Ints:
    """Return the highest level of each item the money left allows, the others at their lowest.

    With `spent`, money already used beyond the lowest levels, one row for each of its entries.
    """
    used = np.zeros(1, dtype=np.int64) if spent is None else spent
    room = bar.money_minor - model.cost_minor(low) - used
    columns = []
    for item, least in enumerate(low):
        costs = model.item_costs_minor(item)
        columns.append(np.searchsorted(costs, room + costs[least], side="right") - 1)
    return np.stack(columns, axis=1).astype(np.int64) if columns else np.zeros((len(used), 0), int)


def _rows(model: ParModel, bar: _Threshold, low: Ints, high: Ints) -> Ints | None:
    """Return every combination that reaches the bar, or None when there are too many to tell.

    Items are decided one after the other, the one with the widest range of money first; a
    partial choice stands only while the undecided items at the levels still affordable could
    bring it to the bar.
    """
    spans = [
        int(costs[top] - costs[least])
        for costs, least, top in zip(
            (model.item_costs_minor(item) for item in range(len(low))), low, high, strict=True
        )
    ]
    rows, spent, work = low[np.newaxis, :].copy(), np.zeros(1, dtype=np.int64), 0
    order = sorted(
        (item for item in range(len(low)) if high[item] > low[item]), key=lambda item: -spans[item]
    )
    for place, item in enumerate(order):
        rows, spent = _widened(model, rows, spent, item, int(high[item]))
        work += len(rows) * (model.readiness.size + len(low))
        if len(rows) > MAX_ROWS or work > MAX_WORK:
            return None
        undecided = order[place + 1 :]
        hopeful = rows.copy()
        if undecided:
            limits = np.minimum(_affordable(model, low, bar, spent), high)
            hopeful[:, undecided] = np.maximum(limits[:, undecided], low[undecided])
        keep = (spent + model.cost_minor(low) <= bar.money_minor) & (
            model.readiness.values(hopeful) >= bar.readiness
        )
        rows, spent = rows[keep], spent[keep]
    return rows[model.readiness.values(rows) >= bar.readiness]


def _widened(model: ParModel, rows: Ints, spent: Ints, item: int, high: int) -> tuple[Ints, Ints]:
    """Return the rows with every level of one item from its lowest to `high`."""
    low = int(rows[0, item]) if len(rows) else high
    costs = model.item_costs_minor(item)
    wider = np.repeat(rows, high - low + 1, axis=0)
    choices = np.tile(np.arange(low, high + 1), len(rows))
    wider[:, item] = choices
    extra = np.repeat(spent, high - low + 1) + costs[choices] - costs[low]
    return wider, extra
