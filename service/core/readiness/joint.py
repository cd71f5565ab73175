"""All outcomes of a case joined into one table, for exact answers."""

from dataclasses import dataclass

import numpy as np

from service.core.readiness.layout import Layout, Words
from service.core.readiness.reduce import Part
from service.core.readiness.step import Rank, Turn
from service.core.readiness.tables import (
    NEVER,
    Frame,
    Outcomes,
    combine,
    factor_outcomes,
    frame_of,
    restrict,
)
from service.core.readiness.words import Reals, unique_columns

MAX_JOINT_OUTCOMES = 200_000


class TooLarge(Exception):
    """An exact answer needs more transitions than the bound; carries at least how many."""

    def __init__(self, transitions: int) -> None:
        self.transitions = transitions
        super().__init__(f"at least {transitions} transitions")


@dataclass(frozen=True, slots=True)
class Joint:
    """A case with all its outcomes joined: chances per need, and the merged mixture."""

    turn: Turn
    by_need: Reals
    chances: Reals


def joint_outcomes(part: Part, layout: Layout, position: int, *, gains: bool, states: int) -> Joint:
    """Join the outcomes of all factors and needs of a case and merge those alike.

    Parameters
    ----------
    part : Part
        The part.
    layout : Layout
        Its layout.
    position : int
        Position of the case in the part.
    gains : bool
        True to keep apart what one more unit would change.
    states : int
        Number of states the outcomes will meet, for the size in a refusal.

    Returns
    -------
    Joint
        The case, ready to be run on every state.

    Raises
    ------
    TooLarge
        Where there are more than MAX_JOINT_OUTCOMES.

    Examples
    --------
    >>> from service.core.readiness.example import small_part
    >>> from service.core.readiness.layout_rows import layout_of
    >>> part = small_part()
    >>> layout = layout_of(part)
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
    turn = Turn(layout, layout.cases[position], rank_tables(frame, [demand]))
    return Joint(turn, by_need, mixture)


def rank_tables(frame: Frame, groups: list[Words]) -> tuple[Rank, ...]:
    """Cut demand tables, shape (ranks, words, outcomes) per group, into ranks.

    Parameters
    ----------
    frame : Frame
        The case.
    groups : list of Words
        Demand by rank, word and outcome, one per group of factors.

    Returns
    -------
    tuple of Rank
        Each with only the words that it touches.

    Examples
    --------
    >>> from service.core.readiness.example import small_part
    >>> from service.core.readiness.layout_rows import layout_of
    >>> part = small_part()
    >>> layout = layout_of(part)
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
    frame: Frame, merged: list[Outcomes], chosen: list[int], states: int
) -> Outcomes:
    parts = [restrict(outcomes, chosen) for outcomes in merged]
    joint = parts[0]
    for other in parts[1:]:
        size = len(joint.chances) * len(other.chances)
        if size > MAX_JOINT_OUTCOMES:
            raise TooLarge(size * states)
        joint = combine(frame, joint, other)
    return joint


def _pad(demand: Words, ranks: int) -> Words:
    missing = ranks - demand.shape[0]
    if not missing:
        return demand
    blank = np.zeros((missing, *demand.shape[1:]), dtype=np.uint64)
    blank[:, 0] = NEVER
    return np.concatenate([demand, blank])
