"""Who gets which unit, where units stand in for one another."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import min_weight_full_bipartite_matching

MAX_TOTAL_COST = 2**52


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
