"""A par problem made ready to evaluate: readiness and cost as functions of the levels."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.core.par.lead_time import expiry_costs, outstanding_cdf, units_to_cover
from service.core.par.problem import ParItem, ParProblem, ParTooLarge
from service.core.par.readiness_sum import Ints, ReadinessSum, build_sum
from service.core.par.terms import CaseMixTerms

MAX_ON_ORDER = 5_000


MAX_UNITS = 50_000


NEGLIGIBLE = 1e-12


"""Chance of more units on order below which a higher level of an item is not looked at."""


@dataclass(frozen=True, slots=True)
class ParModel:
    """Readiness and cost as functions of the levels of the items.

    Parameters
    ----------
    names
        The items, in the order of the problem; levels are arrays in this order.
    readiness
        The sum of products that gives the readiness.
    first_choice
        The same for the first construct of each need alone.
    costs_minor, cost_start
        Cost of each item at each level from 0 to its top, in minor units, not decreasing, laid
        end to end; where each item's run starts.
    floors, tops
        Smallest level allowed and largest level worth looking at.
    """

    names: tuple[str, ...]
    readiness: ReadinessSum
    first_choice: ReadinessSum
    costs_minor: Ints
    cost_start: Ints
    floors: Ints
    tops: Ints

    def cost_minor(self, levels: Ints) -> int:
        """Return the cost of the levels in minor units."""
        return int(np.sum(self.costs_minor[self.cost_start + levels]))

    def savings_minor(self, levels: Ints) -> Ints:
        """Return what one stride less of each item saves; shape (strides, items)."""
        lower = [np.maximum(levels - stride, 0) for stride in self.readiness.strides]
        savings: Ints = self.costs_minor[self.cost_start + levels] - self._costs_at(lower)
        return savings

    def prices_minor(self, levels: Ints) -> Ints:
        """Return what one stride more of each item costs; shape (strides, items)."""
        higher = [np.minimum(levels + stride, self.tops) for stride in self.readiness.strides]
        prices: Ints = self._costs_at(higher) - self.costs_minor[self.cost_start + levels]
        return prices

    def can_drop(self, levels: Ints) -> NDArray[np.bool_]:
        """Tell where a stride less stays at the floor or above; shape (strides, items)."""
        return np.stack([levels - stride >= self.floors for stride in self.readiness.strides])

    def can_add(self, levels: Ints) -> NDArray[np.bool_]:
        """Tell where a stride more stays at the top or below; shape (strides, items)."""
        return np.stack([levels + stride <= self.tops for stride in self.readiness.strides])

    def _costs_at(self, rows: list[Ints]) -> Ints:
        return self.costs_minor[self.cost_start + np.stack(rows)]

    def item_costs_minor(self, item: int) -> Ints:
        """Return the cost of one item at each of its levels."""
        start = self.cost_start[item]
        return self.costs_minor[start : start + self.tops[item] + 1]


def _mean(units_per_case: Mapping[int, float]) -> float:
    return math.fsum(units * chance for units, chance in units_per_case.items())


def build_model(problem: ParProblem, mix: CaseMixTerms | None = None) -> ParModel:
    """Make a par problem ready to evaluate.

    Parameters
    ----------
    problem
        The problem.
    mix
        Its case mix, where it has been walked over already.

    Returns
    -------
    ParModel
        Readiness and cost by level. Levels above ``tops`` add less than 1e-12 of an item's
        chance to be there.

    Raises
    ------
    ParTooLarge
        When the takes have too many joint outcomes.

    Examples
    --------
    >>> from service.core.par.problem import CaseType, MixEntry, ParConstruct, ParItem
    >>> from service.core.par.problem import ParNeed, ParProblem, ParTake
    >>> one = ParConstruct("one", (ParTake((), ({"screw": 1},)),))
    >>> case = CaseType("K", (), (ParNeed("fix", 1.0, (0,)),), (one,))
    >>> items = (ParItem("screw", 1, 4.0),)
    >>> model = build_model(ParProblem(0.5, (MixEntry(1.0, case),), items, budget_minor=0))
    >>> round(model.readiness.value(np.array([3])), 6)
    0.676676
    """
    mix = CaseMixTerms(problem) if mix is None else mix
    tops = _tops(problem, mix)
    shelves = [
        outstanding_cdf(problem.arrivals_per_day * item.lead_time_days, units, top)
        for item, units, top in zip(problem.items, mix.units_per_case, tops, strict=True)
    ]
    costs = [
        _costs(item, problem.arrivals_per_day * _mean(units), top)
        for item, units, top in zip(problem.items, mix.units_per_case, tops, strict=True)
    ]
    return ParModel(
        names=tuple(item.item for item in problem.items),
        readiness=build_sum(mix.terms, shelves, tops),
        first_choice=build_sum(mix.first_terms, shelves, tops),
        costs_minor=np.concatenate([*costs, np.zeros(0, dtype=np.int64)]),
        cost_start=np.cumsum([0, *(len(run) for run in costs)])[:-1],
        floors=np.array([item.minimum for item in problem.items], dtype=np.int64),
        tops=np.array(tops, dtype=np.int64),
    )


def _tops(problem: ParProblem, mix: CaseMixTerms) -> list[int]:
    """Return the largest level worth looking at of each item."""
    largest = [0] * len(problem.items)
    for group in {group for term in mix.terms for group in term}:
        for _, needed in group:
            for number, quantity in needed:
                largest[number] = max(largest[number], quantity)
    tops: list[int] = []
    for number, item in enumerate(problem.items):
        asked = max((problem.levels or {}).get(item.item, 0), item.minimum)
        cases = problem.arrivals_per_day * item.lead_time_days
        where = f"/items/{number}/lead_time_days"
        tops.append(max(asked, _useful(cases, mix.units_per_case[number], largest[number], where)))
    if sum(tops) > MAX_UNITS:
        sentence = f"The levels add up to {sum(tops)} units; at most {MAX_UNITS} can be compared."
        raise ParTooLarge([("/items", sentence)])
    return tops


def _useful(cases: float, units_per_case: Mapping[int, float], largest: int, pointer: str) -> int:
    """Return the level past which an item's chance to be there grows by next to nothing."""
    if largest == 0:
        return 0
    bound = units_to_cover(cases, units_per_case, NEGLIGIBLE)
    if bound > MAX_ON_ORDER:
        sentence = f"Up to {bound} units would be on order; at most {MAX_ON_ORDER} are possible."
        raise ParTooLarge([(pointer, sentence)])
    shelf = outstanding_cdf(cases, units_per_case, bound)
    return largest + int(np.argmax(shelf >= shelf[-1] - NEGLIGIBLE))


def _costs(item: ParItem, units_per_day: float, top: int) -> Ints:
    """Return an item's cost at each level: its price and, where it expires, what is lost."""
    costs = np.arange(top + 1) * item.unit_cost_minor
    if item.shelf_life_days is not None:
        lost = expiry_costs(top, units_per_day, item.shelf_life_days, item.unit_cost_minor)
        costs += np.rint(lost).astype(np.int64)
    return costs.astype(np.int64)
