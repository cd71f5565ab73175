"""What a case asks for, as tables of demand words over merged outcomes of its factors."""

import math
from dataclasses import dataclass, replace

import numpy as np

from service.core.readiness.packed_state import (
    Flags,
    Indices,
    Reals,
    StateLayout,
    Words,
    fits,
    lone_shortages,
    unique_columns,
)
from service.core.readiness.problem import Case, Construct, Demand, Take

NEVER = np.uint64(1)


_ALONE = np.zeros((0, 1), dtype=np.intp)


@dataclass(frozen=True, slots=True)
class DemandOutcomes:
    """Merged outcomes of some factors of a case and what each construct asks for on them.

    Attributes
    ----------
    demand : Words
        Shape (constructs, words of the case, outcomes); NEVER in word 0 where the outcome
        rules the construct out.
    chances : Reals
        Probability of each outcome.
    items : frozenset of str
        Binding items that any of these outcomes can ask for.
    """

    demand: Words
    chances: Reals
    items: frozenset[str]


@dataclass(frozen=True, slots=True)
class CaseFrame:
    """A case with the words it touches; word 0 always comes first.

    Attributes
    ----------
    case : Case
        The case.
    constructs : tuple of int
        Constructs that some need names.
    rows : tuple of int
        Words of the layout that the case can touch.
    layout : StateLayout
        StateLayout of the part.
    fresh : Words
        These words if nothing was taken before, shape (words,).
    spare : int
        1 where gains are asked for: an outcome that one more unit would save is kept apart.
    """

    case: Case
    constructs: tuple[int, ...]
    rows: tuple[int, ...]
    layout: StateLayout
    fresh: Words
    spare: int


def frame_of(case: Case, layout: StateLayout, position: int, *, spare: bool) -> CaseFrame:
    """Say which words of the layout a case touches.

    Parameters
    ----------
    case : Case
        The case.
    layout : StateLayout
        StateLayout of its part.
    position : int
        Position of the case in its part.
    spare : bool
        True where gains are asked for.

    Returns
    -------
    CaseFrame
        The case with its rows.

    Examples
    --------
    >>> from tests.core.readiness_example import small_part
    >>> from service.core.readiness.packed_state import state_layout
    >>> part = small_part()
    >>> layout = state_layout(part)
    >>> frame_of(part.cases[0], layout, 0, spare=False).rows
    (0,)
    """
    constructs = tuple(sorted({index for need in case.needs for index in need.constructs}))
    rows = {0}
    for index in constructs:
        for take in case.constructs[index].takes:
            named = {item for entry in take.entries for item, _ in entry or ()}
            rows |= {layout.fields[item].row for item in named if item in layout.fields}
    chosen = tuple(sorted(rows))
    fresh = layout.cases[position].fresh[list(chosen)]
    return CaseFrame(case, constructs, chosen, layout, fresh, int(spare))


def factor_outcomes(frame: CaseFrame) -> list[DemandOutcomes]:
    """Merge the outcomes of each group of factors that takes link.

    Parameters
    ----------
    frame : CaseFrame
        The case.

    Returns
    -------
    list of DemandOutcomes
        One per group of linked factors that matters, fewest outcomes first; the first holds
        what does not depend on any factor.

    Examples
    --------
    >>> from tests.core.readiness_example import small_part
    >>> from service.core.readiness.packed_state import state_layout
    >>> part = small_part()
    >>> layout = state_layout(part)
    >>> frame = frame_of(part.cases[0], layout, 0, spare=False)
    >>> [outcomes.chances.tolist() for outcomes in factor_outcomes(frame)]
    [[1.0], [0.5, 0.5]]
    """
    fixed = _linked_outcomes(frame, frozenset())
    found = [_linked_outcomes(frame, group) for group in _linked_factors(frame)]
    found = [outcomes for outcomes in found if len(outcomes.chances) > 1 or outcomes.demand.any()]
    return [fixed, *sorted(found, key=lambda outcomes: len(outcomes.chances))]


def combine_groups(frame: CaseFrame, one: DemandOutcomes, other: DemandOutcomes) -> DemandOutcomes:
    """Merge the joint outcomes of two independent groups of factors.

    Parameters
    ----------
    frame : CaseFrame
        The case.
    one, other : DemandOutcomes
        DemandOutcomes of disjoint groups of factors, for the same constructs.

    Returns
    -------
    DemandOutcomes
        Demands added up, chances multiplied, alike outcomes merged.

    Examples
    --------
    >>> from tests.core.readiness_example import small_part
    >>> from service.core.readiness.packed_state import state_layout
    >>> part = small_part()
    >>> layout = state_layout(part)
    >>> frame = frame_of(part.cases[0], layout, 0, spare=False)
    >>> combine_groups(frame, *factor_outcomes(frame)).chances.tolist()
    [0.5, 0.5]
    """
    size = len(one.chances) * len(other.chances)
    shape = (*one.demand.shape[:2], size)
    left, right = one.demand[:, :, :, None], other.demand[:, :, None, :]
    ruled_out = ((left[:, 0] | right[:, 0]) & NEVER) == NEVER
    demand = (left + right).reshape(shape)
    chances = np.outer(one.chances, other.chances).reshape(-1)
    flat = ruled_out.reshape(demand.shape[0], size)
    return _merged(frame, demand, flat, chances, one.items | other.items)


def restrict_constructs(outcomes: DemandOutcomes, chosen: list[int]) -> DemandOutcomes:
    """Keep only some constructs, in the order given, and merge what is then alike.

    Examples
    --------
    >>> from tests.core.readiness_example import small_part
    >>> from service.core.readiness.packed_state import state_layout
    >>> part = small_part()
    >>> layout = state_layout(part)
    >>> frame = frame_of(part.cases[0], layout, 0, spare=False)
    >>> restrict_constructs(factor_outcomes(frame)[1], []).chances.tolist()
    [1.0]
    """
    demand = outcomes.demand[chosen]
    return _merge_alike(replace(outcomes, demand=demand))


def _linked_factors(frame: CaseFrame) -> list[frozenset[int]]:
    groups: list[frozenset[int]] = []
    for index in frame.constructs:
        for take in frame.case.constructs[index].takes:
            mine = frozenset(take.factors)
            if mine:
                joined = mine.union(*(group for group in groups if group & mine))
                groups = [group for group in groups if not group & joined] + [joined]
    return sorted(groups, key=min)


def _linked_outcomes(frame: CaseFrame, group: frozenset[int]) -> DemandOutcomes:
    factors = sorted(group)
    shape = tuple(len(frame.case.factors[index].probabilities) for index in factors)
    chances = np.ones(1)
    for index in factors:
        chances = np.outer(chances, frame.case.factors[index].probabilities).reshape(-1)
    grid = np.indices(shape).reshape(len(shape), math.prod(shape)) if shape else _ALONE
    takes = [_takes_of(frame.case.constructs[c], group) for c in frame.constructs]
    where = {id(t): _entry_index(t, factors, shape, grid) for mine in takes for t in mine}
    kinds = {id(t): _entry_kinds(frame.layout, t) for mine in takes for t in mine}
    chosen, inverse = _alike(where, kinds, math.prod(shape))
    merged: Reals = np.zeros(len(chosen))
    np.add.at(merged, inverse, chances)
    size = (len(takes), len(frame.rows), len(chosen))
    demand = np.zeros(size, dtype=np.uint64)
    ruled_out = np.zeros((size[0], size[2]), dtype=np.bool_)
    for number, mine in enumerate(takes):
        for take in mine:
            table, nulls = _entry_words(frame, take)
            demand[number] += table[:, where[id(take)][chosen]]
            ruled_out[number] |= nulls[where[id(take)][chosen]]
    named = {item for mine in takes for t in mine for e in t.entries for item, _ in e or ()}
    items = frozenset(named & frame.layout.fields.keys())
    return _merged(frame, demand, ruled_out, merged, items)


def _takes_of(construct: Construct, group: frozenset[int]) -> list[Take]:
    if not group:
        return [take for take in construct.takes if not take.factors]
    return [take for take in construct.takes if group.issuperset(take.factors) and take.factors]


def _entry_index(take: Take, factors: list[int], shape: tuple[int, ...], grid: Indices) -> Indices:
    """Return the row-major position in the take's entries for each joint outcome."""
    index = np.zeros(grid.shape[1], dtype=np.intp)
    for factor in take.factors:
        place = factors.index(factor)
        index = index * shape[place] + grid[place]
    return index


def _binding(layout: StateLayout, entry: Demand | None) -> Demand | None:
    return None if entry is None else tuple(pair for pair in entry if pair[0] in layout.fields)


def _entry_kinds(layout: StateLayout, take: Take) -> Indices:
    """Return a take's entries numbers, the same to those alike on the binding items."""
    numbers: dict[Demand | None, int] = {}
    kinds = [numbers.setdefault(_binding(layout, e), len(numbers)) for e in take.entries]
    return np.array(kinds, dtype=np.intp)


def _alike(
    where: dict[int, Indices], kinds: dict[int, Indices], size: int
) -> tuple[Indices, Indices]:
    keys = [kinds[take][index].astype(np.uint64) for take, index in where.items()]
    return unique_columns(np.array(keys, dtype=np.uint64).reshape(len(keys), size))


def _entry_words(frame: CaseFrame, take: Take) -> tuple[Words, Flags]:
    table = np.zeros((len(frame.rows), len(take.entries)), dtype=np.uint64)
    nulls = np.zeros(len(take.entries), dtype=np.bool_)
    places = {row: index for index, row in enumerate(frame.rows)}
    for number, entry in enumerate(take.entries):
        nulls[number] = entry is None
        for item, quantity in _binding(frame.layout, entry) or ():
            field = frame.layout.fields[item]
            table[places[field.row], number] += np.uint64(quantity << field.shift)
    return table, nulls


def _merged(
    frame: CaseFrame, demand: Words, ruled_out: Flags, chances: Reals, items: frozenset[str]
) -> DemandOutcomes:
    for number in range(demand.shape[0]):
        possible = demand_fits(frame, demand[number], frame.spare)
        hopeless = ruled_out[number] | ~possible
        demand[number][:, hopeless] = 0
        demand[number][0, hopeless] = NEVER
    return _merge_alike(DemandOutcomes(demand, chances, items))


def demand_fits(frame: CaseFrame, demand: Words, spare: int) -> Flags:
    """Tell which demands the untouched stock could meet, with so many (0 or 1) spare units.

    Parameters
    ----------
    frame : CaseFrame
        The case.
    demand : Words
        Shape (words of the case, n).
    spare : int
        1 to let through what one more unit of one item would make fit.

    Returns
    -------
    Flags
        Shape (n,).

    Examples
    --------
    >>> from tests.core.readiness_example import small_part
    >>> from service.core.readiness.packed_state import state_layout
    >>> part = small_part()
    >>> layout = state_layout(part)
    >>> frame = frame_of(part.cases[0], layout, 0, spare=False)
    >>> demand_fits(frame, factor_outcomes(frame)[1].demand[0], 0).tolist()
    [True, True]
    """
    left = list(frame.fresh[:, None] - demand)
    guards = [frame.layout.guards[row] for row in frame.rows]
    found = fits(left, guards, demand.shape[1])
    if spare:
        bits = [frame.layout.bits[row] for row in frame.rows]
        rows, _ = lone_shortages(left, guards, bits, demand.shape[1])
        found |= rows >= 0
    return found


def _merge_alike(outcomes: DemandOutcomes) -> DemandOutcomes:
    demand = outcomes.demand
    flat = demand.reshape(demand.shape[0] * demand.shape[1], demand.shape[2])
    chosen, inverse = unique_columns(flat)
    chances: Reals = np.zeros(len(chosen))
    np.add.at(chances, inverse, outcomes.chances)
    return DemandOutcomes(demand[:, :, chosen], chances, outcomes.items)
