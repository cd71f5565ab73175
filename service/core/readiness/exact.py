"""Exact readiness of one part: dynamic programming over its residual stock."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from service.core.readiness.packed_demand import (
    NEVER,
    CaseFrame,
    DemandOutcomes,
    combine_groups,
    factor_outcomes,
    frame_of,
    restrict_constructs,
)
from service.core.readiness.packed_state import (
    CaseRows,
    Flags,
    Indices,
    Reals,
    StateLayout,
    Words,
    unique_columns,
)
from service.core.readiness.packed_step import GainWatch, PackedCase, Rank, run_case, run_moves
from service.core.readiness.parts import ListPart
from service.core.readiness.results import PartResult

MAX_TRANSITIONS = 4_000_000


MAX_TRANSITIONS_IF_ASKED = 10_000_000


_BLOCK_COLUMNS = 16_384


_ITEM_BLOCK = 32


@dataclass(frozen=True, slots=True)
class JointCase:
    """A case with all its outcomes joined: chances per need, and the merged mixture."""

    turn: PackedCase
    by_need: Reals
    chances: Reals


@dataclass(slots=True)
class Layer:
    """States before one case and where each outcome leads, as positions in the next layer.

    `width` is the number of states in the next layer; `reached` marks the states that have a
    chance, the others are only there for what one more unit would lead to.
    """

    joint: JointCase
    states: Words
    reached: Flags
    width: int = 1
    served: list[Flags] = field(default_factory=list)
    onward: list[NDArray[np.int32]] = field(default_factory=list)
    forks: list[Indices] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Paths:
    """The layers of a list and the probability of each state before the first."""

    layers: list[Layer]
    chances: Reals


def solve_exactly(
    part: ListPart, layout: StateLayout, *, gains: bool, most: int = MAX_TRANSITIONS
) -> PartResult:
    """Answer for one part without sampling.

    Parameters
    ----------
    part : ListPart
        Cases and the supplies that bind them.
    layout : StateLayout
        StateLayout of the part.
    gains : bool
        True to work out the gains too.
    most : int
        The most pairs of state and outcome to go through.

    Returns
    -------
    PartResult
        With no variance.

    Raises
    ------
    TooManyTransitions
        Where states times outcomes, summed over the cases, would exceed `most`.

    Examples
    --------
    >>> from tests.core.readiness_example import small_part
    >>> from service.core.readiness.packed_state import state_layout
    >>> part = small_part()
    >>> layout = state_layout(part)
    >>> solve_exactly(part, layout, gains=False).everyone
    ProbabilityEstimate(value=0.5, standard_error=0.0)
    """
    paths = _explore(part, layout, gains=gains, most=most)
    readiness = []
    for layer, weight in zip(paths.layers, _forward(paths), strict=True):
        served_by_outcome = weight @ np.concatenate(layer.served)
        readiness.append(layer.joint.by_need @ served_by_outcome)
    result = PartResult.exact(part, _all_served(paths), readiness)
    if gains and layout.items:
        values = _values(paths.layers)
        for first in range(0, len(layout.items), _ITEM_BLOCK):
            block = range(first, first + _ITEM_BLOCK)
            _add_gains(result, layout, paths, values, block)
    return result


def start_states(layout: StateLayout, most: int) -> tuple[Words, Reals]:
    """Return the states a list can start in, and the probability of each.

    Parameters
    ----------
    layout : StateLayout
        StateLayout of a part; each of its arrivals comes or does not, apart from the others.
    most : int
        The most states to write out.

    Returns
    -------
    states : Words
        One column per state.
    chances : Reals
        Their probabilities, summing to one.

    Raises
    ------
    TooManyTransitions
        Where there are more.

    Examples
    --------
    >>> from tests.core.readiness_example import small_part
    >>> from service.core.readiness.packed_state import state_layout
    >>> start_states(state_layout(small_part()), 1)[1].tolist()
    [1.0]
    """
    states, chances = layout.start[:, None].copy(), np.ones(1)
    for arrival in layout.arrivals:
        comes = arrival.probability
        if 2 * len(chances) > most:
            raise TooManyTransitions(2 ** len(layout.arrivals))
        states = np.concatenate([states, states - arrival.missing[:, None]], axis=1)
        chances = np.concatenate([chances * comes, chances * (1 - comes)])
    possible = chances > 0
    return states[:, possible], chances[possible]


def _explore(part: ListPart, layout: StateLayout, *, gains: bool, most: int) -> Paths:
    states, chances = start_states(layout, most)
    reached = np.ones(states.shape[1], dtype=np.bool_)
    layers: list[Layer] = []
    transitions = 0
    for position in range(len(part.cases)):
        joint = joint_outcomes(part, layout, position, gains=gains, states=states.shape[1])
        transitions += states.shape[1] * len(joint.chances)
        if transitions > most:
            raise TooManyTransitions(transitions)
        layer = Layer(joint, states, reached)
        last = position == len(part.cases) - 1
        states, reached = _expand(layer, None if last else layout.cases[position + 1], gains=gains)
        layer.width = states.shape[1]
        layers.append(layer)
    return Paths(layers, chances)


def _expand(layer: Layer, following: CaseRows | None, *, gains: bool) -> tuple[Words, Flags]:
    """Run every outcome of the layer's case on every state; return the next layer's states."""
    outcomes, count = len(layer.joint.chances), layer.states.shape[1]
    run_moves(layer.joint.turn, layer.states)
    found: list[Words] = []
    flags: list[Flags] = []
    size = max(1, _BLOCK_COLUMNS // outcomes)
    total = 0
    for first in range(0, count, size):
        ends = min(first + size, count)
        seeds = np.repeat(layer.states[:, first:ends], outcomes, axis=1)
        after, forks = _run_block(layer, seeds, first, ends, gains=gains)
        distinct, inverse = _canonical(layer.joint.turn, after, following)
        base = (ends - first) * outcomes
        onward = inverse[:base] + total
        # Half the memory of the usual index; positions stay far below its limit.
        layer.onward.append(onward.reshape(-1, outcomes).astype(np.int32))
        layer.forks.append(np.vstack([forks, inverse[base:] + total]))
        reached = np.zeros(distinct.shape[1], dtype=np.bool_)
        origin = np.repeat(layer.reached[first:ends], outcomes)
        origin &= np.tile(layer.joint.chances > 0, ends - first)
        reached[inverse[:base][origin]] = True
        found.append(distinct)
        flags.append(reached)
        total += distinct.shape[1]
    return _join_blocks(layer, found, flags)


def _run_block(
    layer: Layer, state: Words, first: int, ends: int, *, gains: bool
) -> tuple[Words, Indices]:
    """Run the case; return states after it, forks last, and (state, outcome, item) per fork."""
    outcomes = len(layer.joint.chances)
    turn = layer.joint.turn
    picks = [np.tile(np.arange(outcomes), ends - first)]
    watch = GainWatch(turn.layout, state.shape[1]) if gains else None
    layer.served.append(run_case(turn, state, picks, watch).reshape(-1, outcomes))
    branches = watch.collect() if watch is not None else []
    columns = np.concatenate([np.empty(0, dtype=np.intp)] + [b.columns for b in branches])
    items = np.concatenate([np.empty(0, dtype=np.intp)] + [b.items for b in branches])
    states = np.concatenate([state] + [b.state for b in branches], axis=1)
    live = layer.reached[first + columns // outcomes]
    keep = np.concatenate([np.ones(state.shape[1], dtype=np.bool_), live])
    columns, items = columns[live], items[live]
    return states[:, keep], np.array([first + columns // outcomes, columns % outcomes, items])


def _canonical(turn: PackedCase, after: Words, following: CaseRows | None) -> tuple[Words, Indices]:
    """Forget what cannot matter to the cases that follow, and merge equal states."""
    if following is None:
        return np.zeros_like(after[:, :1]), np.zeros(after.shape[1], dtype=np.intp)
    for cap in turn.rows.caps:
        place = cap.field
        row, shift = after[place.row], np.uint64(place.shift)
        most = np.uint64(cap.most + (1 << (place.bits - 1)))
        value = np.minimum((row & np.uint64(place.mask)) >> shift, most)
        after[place.row] = (row & ~np.uint64(place.mask)) | (value << shift)
    after &= following.relevant[:, None]
    words = turn.layout.words
    after[:words] |= (turn.layout.guards & ~following.relevant[:words])[:, None]
    chosen, inverse = unique_columns(after)
    return after[:, chosen], inverse


def _join_blocks(layer: Layer, found: list[Words], flags: list[Flags]) -> tuple[Words, Flags]:
    states, seen = np.concatenate(found, axis=1), np.concatenate(flags)
    if len(found) == 1:
        return states, seen
    chosen, inverse = unique_columns(states)
    reached = np.zeros(len(chosen), dtype=np.bool_)
    reached[inverse[seen]] = True
    positions = inverse.astype(np.int32)
    layer.onward = [positions[onward] for onward in layer.onward]
    for forks in layer.forks:
        forks[3] = inverse[forks[3]]
    return states[:, chosen], reached


def _transition(layer: Layer, served: Flags | None = None) -> sparse.csr_matrix:
    onward = np.concatenate(layer.onward)
    chances = np.tile(layer.joint.chances, len(onward))
    if served is not None:
        chances = chances * served.reshape(-1)
    starts = np.arange(0, onward.size + 1, onward.shape[1])
    shape = (len(onward), layer.width)
    return sparse.csr_matrix((chances, onward.reshape(-1), starts), shape=shape)


def _forward(paths: Paths) -> list[Reals]:
    weights: list[Reals] = [paths.chances]
    for layer in paths.layers:
        weights.append(_transition(layer).T @ weights[-1])
    return weights[:-1]


def _all_served(paths: Paths) -> float:
    weight = paths.chances
    for layer in paths.layers:
        weight = _transition(layer, np.concatenate(layer.served)).T @ weight
    return float(weight.sum())


def _values(layers: list[Layer]) -> list[Reals]:
    """Return for each layer and state the cases expected to be served from there on."""
    values = [np.zeros(1)]
    for layer in reversed(layers):
        chances = layer.joint.chances
        onward = values[0][np.concatenate(layer.onward)]
        values.insert(0, (np.concatenate(layer.served) + onward) @ chances)
    return values


def _add_gains(
    result: PartResult, layout: StateLayout, paths: Paths, values: list[Reals], block: range
) -> None:
    """Follow, for each item of the block, the paths on which its extra unit is still there."""
    first, size = block.start, min(block.stop, len(layout.items)) - block.start
    intact = np.repeat(paths.chances[:, None], size, axis=1)
    for position, layer in enumerate(paths.layers):
        states, outcomes, items, forked = np.concatenate(layer.forks, axis=1)
        mine = (items >= first) & (items < first + size)
        states, outcomes, items, forked = states[mine], outcomes[mine], items[mine], forked[mine]
        onward = np.concatenate(layer.onward)[states, outcomes]
        served = np.concatenate(layer.served)[states, outcomes]
        weight = layer.joint.chances[outcomes] * intact[states, items - first]
        following = values[position + 1]
        worth = weight * (1.0 - served + following[forked] - following[onward])
        for item in np.unique(items):
            chosen = items == item
            name = layout.items[item]
            result.add_fork(name, position, weight[chosen].sum(), worth[chosen].sum())
        intact = _transition(layer).T @ intact
        np.subtract.at(intact, (onward, items - first), weight)


MAX_JOINT_OUTCOMES = 200_000


class TooManyTransitions(Exception):
    """An exact answer needs more transitions than the bound; carries at least how many."""

    def __init__(self, transitions: int) -> None:
        self.transitions = transitions
        super().__init__(f"at least {transitions} transitions")


def joint_outcomes(
    part: ListPart, layout: StateLayout, position: int, *, gains: bool, states: int
) -> JointCase:
    """Join the outcomes of all factors and needs of a case and merge those alike.

    Parameters
    ----------
    part : ListPart
        The part.
    layout : StateLayout
        Its layout.
    position : int
        Position of the case in the part.
    gains : bool
        True to keep apart what one more unit would change.
    states : int
        Number of states the outcomes will meet, for the size in a refusal.

    Returns
    -------
    JointCase
        The case, ready to be run on every state.

    Raises
    ------
    TooManyTransitions
        Where there are more than MAX_JOINT_OUTCOMES.

    Examples
    --------
    >>> from tests.core.readiness_example import small_part
    >>> from service.core.readiness.packed_state import state_layout
    >>> part = small_part()
    >>> layout = state_layout(part)
    >>> joint_outcomes(part, layout, 0, gains=False, states=1).chances.tolist()
    [0.5, 0.5]
    """
    case = part.cases[position]
    frame = frame_of(case, layout, position, spare=gains)
    merged = factor_outcomes(frame)
    ranks = max(len(need.constructs) for need in case.needs)
    blocks, chances = [], []
    for need in case.needs:
        chosen = [frame.constructs.index(construct) for construct in need.constructs]
        outcomes = _need_outcomes(frame, merged, chosen, states)
        blocks.append(_pad(outcomes.demand, ranks))
        chances.append(outcomes.chances)
    demand = np.concatenate(blocks, axis=2)
    unique, inverse = unique_columns(demand.reshape(ranks * len(frame.rows), demand.shape[2]))
    ends = np.cumsum([0] + [len(c) for c in chances])
    by_need = np.array([
        np.bincount(inverse[begin:end], weights=weights, minlength=len(unique))
        for begin, end, weights in zip(ends, ends[1:], chances, strict=False)
    ])  # fmt: skip
    mixture = np.array([need.probability for need in case.needs]) @ by_need
    demand = demand[:, :, unique]
    turn = PackedCase(layout, layout.cases[position], rank_tables(frame, [demand]))
    return JointCase(turn, by_need, mixture)


def rank_tables(frame: CaseFrame, groups: list[Words]) -> tuple[Rank, ...]:
    """Cut demand tables, shape (ranks, words, outcomes) per group, into ranks.

    Parameters
    ----------
    frame : CaseFrame
        The case.
    groups : list of Words
        Demand by rank, word and outcome, one per group of factors.

    Returns
    -------
    tuple of Rank
        Each with only the words that it touches.

    Examples
    --------
    >>> from tests.core.readiness_example import small_part
    >>> from service.core.readiness.packed_state import state_layout
    >>> part = small_part()
    >>> layout = state_layout(part)
    >>> frame = frame_of(part.cases[0], layout, 0, spare=False)
    >>> rank_tables(frame, [np.array([[[4, 16]]], dtype=np.uint64)])[0].rows
    (0,)
    """
    ranks = []
    for number in range(groups[0].shape[0]):
        touched = [
            index for index in range(len(frame.rows)) if any(g[number, index].any() for g in groups)
        ]
        tables = []
        for place, group in enumerate(groups):
            table = group[number][touched]
            if 0 in touched:
                ruled_out = (table[0] & NEVER) == NEVER
                table[0, ruled_out] = np.uint64(frame.layout.never(place))
            tables.append(table)
        ranks.append(Rank(tuple(frame.rows[index] for index in touched), tuple(tables)))
    return tuple(ranks)


def _need_outcomes(
    frame: CaseFrame, merged: list[DemandOutcomes], chosen: list[int], states: int
) -> DemandOutcomes:
    parts = [restrict_constructs(outcomes, chosen) for outcomes in merged]
    joint = parts[0]
    for other in parts[1:]:
        size = len(joint.chances) * len(other.chances)
        if size > MAX_JOINT_OUTCOMES:
            raise TooManyTransitions(size * states)
        joint = combine_groups(frame, joint, other)
    return joint


def _pad(demand: Words, ranks: int) -> Words:
    missing = ranks - demand.shape[0]
    if not missing:
        return demand
    blank = np.zeros((missing, *demand.shape[1:]), dtype=np.uint64)
    blank[:, 0] = NEVER
    return np.concatenate([demand, blank])
