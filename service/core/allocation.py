"""Who gets which unit: dated units of one item, and units that stand in for one another."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from heapq import heappop, heappush

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import min_weight_full_bipartite_matching

MAX_TOTAL_COST = 2**52


@dataclass(frozen=True, slots=True)
class DatedUnit:
    """One unit and when it may be used, on any whole-number time scale; None is no limit."""

    unit: str
    usable_from: int | None = None
    usable_until: int | None = None


@dataclass(frozen=True, slots=True)
class DatedDemand:
    """One unit wanted at a moment, on the time scale of the units."""

    demand: str
    at: int


@dataclass(frozen=True, slots=True)
class Allocation:
    """Which demand is served by which unit, and which goes short.

    Attributes
    ----------
    served : tuple of (str, str)
        Demand and unit.
    short : tuple of str
        Demands without a unit, in the order asked.
    cost : int
        Total cost of the pairs; 0 where pairs have no cost.
    """

    served: tuple[tuple[str, str], ...]
    short: tuple[str, ...]
    cost: int = 0


def first_expired_first(
    units: Sequence[DatedUnit], demands: Sequence[DatedDemand], *, closed: bool = False
) -> Allocation:
    """Serve as many dated demands as possible from dated units of one item.

    Demands are swept by time; each is given the usable unit that expires first. No allocation
    serves more. Ties are broken by order: of two demands at one moment the one listed first is
    served first; of two units that expire together the one usable earlier goes first, then the
    one listed first.

    Source: F. Glover, Maximum matching in a convex bipartite graph, Naval Research Logistics
    Quarterly 14 (1967).

    Parameters
    ----------
    units : sequence of DatedUnit
        Interchangeable but for their dates.
    demands : sequence of DatedDemand
        One unit each.
    closed : bool
        True where a unit may still be used at `usable_until`; False, as for stock, where only
        before it.

    Returns
    -------
    Allocation
        Pairs in the order served.

    Examples
    --------
    >>> units = [DatedUnit("late", 0, 9), DatedUnit("soon", 0, 5)]
    >>> first_expired_first(units, [DatedDemand("K1", 4), DatedDemand("K2", 5)]).served
    (('K1', 'soon'), ('K2', 'late'))
    """
    _refuse_twins([unit.unit for unit in units], [demand.demand for demand in demands])
    # A moment that stands before every real one, so that undated sorts and compares as it should.
    arrivals = sorted(range(len(units)), key=lambda n: (_begin(units[n]), n), reverse=True)
    ready: list[tuple[float, float, int]] = []
    served, short = [], set()
    for index in sorted(range(len(demands)), key=lambda n: (demands[n].at, n)):
        at = demands[index].at
        while arrivals and _begin(units[arrivals[-1]]) <= at:
            unit = arrivals.pop()
            heappush(ready, (_end(units[unit]), _begin(units[unit]), unit))
        while ready and (ready[0][0] < at or (not closed and ready[0][0] == at)):
            heappop(ready)
        if ready:
            served.append((demands[index].demand, units[heappop(ready)[2]].unit))
        else:
            short.add(index)
    left = tuple(demand.demand for n, demand in enumerate(demands) if n in short)
    return Allocation(tuple(served), left)


def match(
    demands: Sequence[str], units: Sequence[str], cost: Mapping[tuple[str, str], int]
) -> Allocation:
    """Serve as many demands as possible at the least cost where units stand in for one another.

    First-expired-first is not enough here: a demand that has a choice may take the only unit of
    one that has none. This is a minimum-cost bipartite matching with a shortage arc per demand,
    dearer than any set of pairs, so that a demand goes short only where it must. Among matchings
    of equal number and cost the same input always gives the same one.

    Parameters
    ----------
    demands, units : sequence of str
        Names, none twice; one unit serves one demand.
    cost : mapping of (demand, unit) to int
        The pairs that are allowed, with what each costs, from 0.

    Returns
    -------
    Allocation
        Pairs in the order of the demands.

    Raises
    ------
    ValueError
        Where a name stands twice, a pair names no demand or unit, a cost is negative, or costs
        are too large to be added up exactly.

    Examples
    --------
    >>> match(["K1", "K2"], ["a", "b"], {("K1", "a"): 0, ("K1", "b"): 5, ("K2", "a"): 0})
    Allocation(served=(('K1', 'b'), ('K2', 'a')), short=(), cost=5)
    """
    _refuse_twins(units, demands)
    _refuse_costs(demands, units, cost)
    if not demands:
        return Allocation((), ())
    rows = {name: n for n, name in enumerate(demands)}
    columns = {name: n for n, name in enumerate(units)}
    shortage = (max(cost.values(), default=0) + 1) * (len(demands) + 1)
    pairs = [(rows[d], columns[u], price) for (d, u), price in cost.items()]
    pairs += [(n, len(units) + n, shortage) for n in range(len(demands))]
    pairs.sort()
    where = np.array([pair[:2] for pair in pairs], dtype=np.intp)
    # A zero weight would vanish from the sparse graph, so that every arc costs one more.
    weights = np.array([pair[2] + 1 for pair in pairs], dtype=np.float64)
    shape = (len(demands), len(units) + len(demands))
    graph = sparse.csr_matrix((weights, (where[:, 0], where[:, 1])), shape=shape)
    chosen = dict(
        zip(*(side.tolist() for side in min_weight_full_bipartite_matching(graph)), strict=True)
    )
    served = tuple((d, units[chosen[n]]) for n, d in enumerate(demands) if chosen[n] < len(units))
    short = tuple(d for n, d in enumerate(demands) if chosen[n] >= len(units))
    return Allocation(served, short, sum(cost[pair] for pair in served))


def _begin(unit: DatedUnit) -> float:
    return -np.inf if unit.usable_from is None else unit.usable_from


def _end(unit: DatedUnit) -> float:
    return np.inf if unit.usable_until is None else unit.usable_until


def _refuse_twins(units: Sequence[str], demands: Sequence[str]) -> None:
    for noun, names in (("unit", units), ("demand", demands)):
        if len(set(names)) != len(names):
            raise ValueError(f"A {noun} is listed twice.")


def _refuse_costs(
    demands: Sequence[str], units: Sequence[str], cost: Mapping[tuple[str, str], int]
) -> None:
    known, there = set(demands), set(units)
    for (demand, unit), price in cost.items():
        if demand not in known or unit not in there:
            raise ValueError(f"The pair {demand!r}, {unit!r} names no demand or no unit.")
        if price < 0:
            raise ValueError(f"The cost of {demand!r}, {unit!r} is negative.")
    if (max(cost.values(), default=0) + 1) * (len(demands) + 1) ** 2 > MAX_TOTAL_COST:
        raise ValueError("The costs are too large to be added up exactly.")
