"""Probability that one construct could be made if no earlier case took anything."""

import math
from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from service.core.readiness.parts import demand_bound
from service.core.readiness.problem import (
    Case,
    DatedStock,
    Demand,
    InstrumentSet,
    ProblemError,
    ReadinessProblem,
    Take,
    is_usable,
)


@dataclass(frozen=True, slots=True)
class ItemLimits:
    """How many of each item a case may use before anything is taken."""

    counts: dict[str, int]

    def allows(self, demand: Demand) -> bool:
        """Tell whether a demand fits."""
        return all(self.counts.get(item, 0) >= quantity for item, quantity in demand)


def coverage(case: Case, construct: int, shelf: ItemLimits) -> float:
    """Return the probability that a construct is wholly usable.

    Takes that share a factor or an item are counted jointly, others multiply.

    Parameters
    ----------
    case : Case
        The case.
    construct : int
        Index of the construct.
    shelf : ItemLimits
        What there is before anything is taken.

    Returns
    -------
    float
        Between 0 and 1.

    Raises
    ------
    ProblemError
        Where too many different demands would have to be told apart.

    Examples
    --------
    >>> from service.core.readiness.problem import Construct, Factor
    >>> takes = (Take((0,), ((("a", 1),), (("b", 1),), None)),)
    >>> factor = Factor("neck", (0.5, 0.25, 0.25))
    >>> case = Case("K1", None, None, (factor,), (), (Construct("c", takes),))
    >>> coverage(case, 0, ItemLimits({"a": 1}))
    0.5
    """
    value = 1.0
    for cluster in _clusters(list(case.constructs[construct].takes)):
        joint = joint_demands(case, [cluster], shelf)
        value *= sum(chance for (demand,), chance in joint.items() if demand is not None)
    return min(1.0, value)


def _clusters(takes: list[Take]) -> list[list[Take]]:
    """Group takes that share a factor or an item."""
    groups: list[tuple[set[object], list[Take]]] = []
    for take in takes:
        marks: set[object] = set(take.factors)
        marks |= {item for entry in take.entries for item, _ in entry or ()}
        mine = [take]
        apart = []
        for other, members in groups:
            if other & marks:
                marks, mine = marks | other, members + mine
            else:
                apart.append((other, members))
        groups = [*apart, (marks, mine)]
    return [members for _, members in groups]


MAX_PARTIAL_DEMANDS = 300_000


Joint = dict[tuple[Demand | None, ...], float]


def item_limits(
    stock: Sequence[DatedStock],
    sets: Sequence[InstrumentSet],
    starts_us: int | None,
    failed: Collection[str] = (),
) -> ItemLimits:
    """Return what a case may use if nothing was taken before it.

    Parameters
    ----------
    stock, sets
        Parcels and instrument sets.
    starts_us : int or None
        Start of the case; it decides which parcels count.
    failed
        Arrivals that do not come.

    Returns
    -------
    ItemLimits
        Counts by item.

    Examples
    --------
    >>> item_limits((DatedStock("a", 1), DatedStock("a", 2, 50, None)), (), 40).counts
    {'a': 1}
    """
    counts: dict[str, int] = defaultdict(int)
    for parcel in (*stock, *(one for each in sets for one in each.coming)):
        if is_usable(parcel, starts_us) and parcel.arrival not in failed:
            counts[parcel.item] += parcel.quantity
    for each in sets:
        counts[each.item] += each.quantity
    return ItemLimits(dict(counts))


#: So many arrivals are weighed for one construct; of the others it is taken that they fail.
_MOST_ARRIVALS = 6


def expected_coverage(problem: ReadinessProblem, case: Case, construct: int) -> float:
    """Return the probability that a construct is wholly usable, whatever of the expected comes.

    Parameters
    ----------
    problem
        The problem that the case is one of.
    case
        The case.
    construct
        Index of the construct.

    Returns
    -------
    float
        The mean of ``coverage`` over what comes and what does not.

    Examples
    --------
    >>> from service.core.readiness.problem import Arrival, Construct
    >>> case = Case("K1", None, None, (), (), (Construct("c", (Take((), ((("a", 1),),)),)),))
    >>> stock = (DatedStock("a", 1, arrival="order"),)
    >>> problem = ReadinessProblem(stock, (), (case,), arrivals=(Arrival("order", 0.75),))
    >>> expected_coverage(problem, case, 0)
    0.75
    """
    every = {one.name: one.probability for one in problem.arrivals}
    most = demand_bound(case, construct)
    stock = [parcel for parcel in problem.stock if parcel.item in most]
    sets = [each for each in problem.sets if each.item in most]
    there = item_limits(stock, sets, case.starts_us, failed=every).counts
    short = {item for item, quantity in most.items() if there.get(item, 0) < quantity}
    coming = (*stock, *(one for each in sets for one in each.coming))
    matters = sorted(
        {one.arrival for one in coming if one.arrival is not None and one.item in short}
    )[:_MOST_ARRIVALS]
    value = 0.0
    for outcome in product((True, False), repeat=len(matters)):
        chance = math.prod(
            every[name] if comes else 1 - every[name]
            for name, comes in zip(matters, outcome, strict=True)
        )
        came = {name for name, comes in zip(matters, outcome, strict=True) if comes}
        shelf = item_limits(stock, sets, case.starts_us, every.keys() - came)
        value += chance * coverage(case, construct, shelf)
    return min(1.0, value)


def joint_demands(case: Case, columns: list[list[Take]], shelf: ItemLimits) -> Joint:
    """Return the chance of each joint demand of several lists of takes.

    Parameters
    ----------
    case : Case
        The case whose factors the takes use.
    columns : list of list of Take
        One list per construct.
    shelf : ItemLimits
        A demand that it does not allow is None, as is a size not made.

    Returns
    -------
    Joint
        Probabilities by tuple of demands, one per column; they sum to one.

    Raises
    ------
    ProblemError
        Where more than MAX_PARTIAL_DEMANDS would have to be told apart.

    Examples
    --------
    >>> from service.core.readiness.problem import Factor
    >>> case = Case("K1", None, None, (Factor("neck", (0.5, 0.5)),), (), ())
    >>> joint_demands(case, [[Take((0,), ((("a", 1),), None))]], ItemLimits({"a": 1}))
    {((('a', 1),),): 0.5, (None,): 0.5}
    """
    partial: Joint = {((),) * len(columns): 1.0}
    for place, group in enumerate(_factor_groups([take for takes in columns for take in takes])):
        step = _group_demands(case, columns, group, shelf)
        if place == 0:
            # Most takes hang on one group only: to nothing it adds what it is.
            partial = step
            _refuse_too_many(case, partial)
            continue
        following: Joint = defaultdict(float)
        for one, chance in partial.items():
            for other, more in step.items():
                pairs = zip(one, other, strict=True)
                total = tuple(_fitting_sum((a, b), shelf) for a, b in pairs)
                following[total] += chance * more
            _refuse_too_many(case, following)
        partial = following
    return dict(partial)


def _refuse_too_many(case: Case, demands: Joint) -> None:
    if len(demands) > MAX_PARTIAL_DEMANDS:
        sentence = f"Case {case.name!r} has more than {MAX_PARTIAL_DEMANDS} different demands."
        raise ProblemError((("", sentence),))


def _factor_groups(takes: list[Take]) -> list[frozenset[int]]:
    groups: list[frozenset[int]] = []
    for take in takes:
        mine = frozenset(take.factors)
        joined = mine.union(*(group for group in groups if group & mine))
        groups = [group for group in groups if not group & joined and group != mine] + [joined]
    return sorted(groups, key=sorted)


def _group_demands(
    case: Case, columns: list[list[Take]], group: frozenset[int], shelf: ItemLimits
) -> Joint:
    factors = sorted(group)
    chances, strides, stride = np.ones(1), {}, 1
    for index in factors:
        chances = np.outer(chances, case.factors[index].probabilities).reshape(-1)
    for index in reversed(factors):
        size = len(case.factors[index].probabilities)
        strides[index] = (stride, size)
        stride *= size
    mine = [[take for take in takes if _belongs(take, group)] for takes in columns]
    found: Joint = defaultdict(float)
    for position, chance in enumerate(chances.tolist()):
        key = tuple(
            _fitting_sum(
                tuple(take.entries[_entry(take, position, strides)] for take in takes), shelf
            )
            for takes in mine
        )
        found[key] += chance
    return found


def _belongs(take: Take, group: frozenset[int]) -> bool:
    return bool(take.factors) == bool(group) and group.issuperset(take.factors)


def _entry(take: Take, position: int, strides: dict[int, tuple[int, int]]) -> int:
    index = 0
    for factor in take.factors:
        stride, size = strides[factor]
        index = index * size + position // stride % size
    return index


def _fitting_sum(demands: tuple[Demand | None, ...], shelf: ItemLimits) -> Demand | None:
    """Add demands up; None where one is None or the sum does not fit."""
    total: dict[str, int] = {}
    for demand in demands:
        if demand is None:
            return None
        for item, quantity in demand:
            total[item] = total.get(item, 0) + quantity
    summed = tuple(sorted(total.items())) if len(total) > 1 else tuple(total.items())
    return summed if shelf.allows(summed) else None
