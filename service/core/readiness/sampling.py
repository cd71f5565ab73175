"""Draw the need and the factor outcomes of a case for many samples at once."""

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from service.core.readiness.joint import rank_tables
from service.core.readiness.layout import Layout, Words
from service.core.readiness.problem import Case
from service.core.readiness.step import Turn
from service.core.readiness.tables import (
    NEVER,
    Frame,
    Outcomes,
    combine,
    demand_fits,
    factor_outcomes,
    frame_of,
)
from service.core.readiness.words import Indices, Reals

_GROUP_OUTCOMES = 2_048
_RAW_BITS = 32
_MAX_GUIDE_BITS = 16
_MAX_SUBSET_RANKS = 8
_RARE_SAMPLES = 2_000
_FORCED_SHARE = 0.05
_MAX_FORCED = 0.5
_WORTH_SPLITTING = 0.02


class Guide:
    """Draws from a discrete distribution: a table for most draws, a search for the rest.

    Parameters
    ----------
    chances : Reals
        Probabilities, summing to one up to rounding.

    Examples
    --------
    >>> Guide(np.array([0.0, 1.0])).draw(np.random.default_rng(1), 3).tolist()
    [1, 1, 1]
    """

    def __init__(self, chances: Reals) -> None:
        self._ends = np.cumsum(chances) / np.sum(chances)
        self._bits = min(_MAX_GUIDE_BITS, len(chances).bit_length() + 6)
        edges = np.arange(2**self._bits + 1) / 2**self._bits
        first = np.searchsorted(self._ends, edges[:-1], side="right")
        last = np.searchsorted(self._ends, edges[1:], side="left")
        # A cell that one outcome fills needs no search; the others are marked.
        self._table = np.where(first == last, first, -1)

    def draw(self, random: np.random.Generator, count: int) -> Indices:
        """Return that many independent outcomes."""
        raw = random.integers(0, 2**_RAW_BITS, count, dtype=np.uint32)
        picks = self._table.take(raw >> np.uint32(_RAW_BITS - self._bits), mode="clip")
        unsure = np.flatnonzero(picks < 0)
        exact = (raw[unsure] + random.random(len(unsure))) / 2.0**_RAW_BITS
        found = np.searchsorted(self._ends, exact, side="right")
        picks[unsure] = np.minimum(found, len(self._ends) - 1)
        return picks


@dataclass(frozen=True, slots=True)
class Sampler:
    """A case ready to be sampled.

    Attributes
    ----------
    turn : Turn
        The case, its demand tables folded over needs.
    chances : Reals
        Probability of each need.
    servable : Reals or None
        For each need, the exact probability that the untouched stock could serve the case;
        None where that is not cheap to know.
    split : bool
        True where enough samples cannot be served at all for it to pay to count them apart.
    forced : tuple of int
        Rare needs, for which some samples are set aside so that each is seen often enough.
    sizes : tuple of int
        Outcomes of each group of factors.
    guides : tuple of Guide
        For the needs, then for each group.
    """

    turn: Turn
    chances: Reals
    servable: Reals | None
    split: bool
    forced: tuple[int, ...]
    sizes: tuple[int, ...]
    guides: tuple[Guide, ...]

    def draw(self, random: np.random.Generator, count: int) -> tuple[Indices, list[Indices]]:
        """Return the need of each sample and its outcome in each group."""
        if len(self.chances) == 1:
            needs = np.zeros(count, dtype=np.intp)
        else:
            needs = self.guides[0].draw(random, count)
        return needs, [guide.draw(random, count) for guide in self.guides[1:]]

    def fold(self, needs: Indices, picks: list[Indices]) -> list[Indices]:
        """Return positions in the demand tables."""
        if len(self.chances) == 1:
            return picks
        return [needs * size + pick for size, pick in zip(self.sizes, picks, strict=True)]

    def forced_blocks(self, count: int) -> list[tuple[int, slice]]:
        """Return the rare needs, each with the samples of a chunk set aside for it."""
        if not self.forced:
            return []
        size = int(count * min(_FORCED_SHARE, _MAX_FORCED / len(self.forced)))
        return [(need, slice(n * size, (n + 1) * size)) for n, need in enumerate(self.forced)]


def sampler_of(case: Case, layout: Layout, position: int, samples: int, *, spare: bool) -> Sampler:
    """Prepare a case for sampling.

    Parameters
    ----------
    case : Case
        The case.
    layout : Layout
        Layout of its part.
    position : int
        Position in the part.
    samples : int
        Number of samples to be drawn; it says which needs would be seen too rarely.
    spare : bool
        True where gains are asked for.

    Returns
    -------
    Sampler
        Small groups of factors joined, so that fewer draws and look-ups are needed.

    Examples
    --------
    >>> from service.core.readiness.example import small_part
    >>> from service.core.readiness.layout_rows import layout_of
    >>> part = small_part()
    >>> layout = layout_of(part)
    >>> sampler_of(part.cases[0], layout, 0, 1000, spare=False).sizes
    (2,)
    """
    frame = frame_of(case, layout, position, spare=spare)
    groups = _joined(frame, factor_outcomes(frame), len(case.needs))
    tables = [_by_need(frame, group) for group in groups]
    turn = Turn(layout, layout.cases[position], rank_tables(frame, tables))
    chances = np.array([need.probability for need in case.needs])
    servable = _servable(frame, groups)
    rare = min(_FORCED_SHARE, _RARE_SAMPLES / samples)
    return Sampler(
        turn=turn,
        chances=chances,
        servable=servable,
        split=servable is not None and float(chances @ servable) < 1 - _WORTH_SPLITTING,
        forced=tuple(np.flatnonzero(chances < rare).tolist()),
        sizes=tuple(len(group.chances) for group in groups),
        guides=(Guide(chances), *(Guide(group.chances) for group in groups)),
    )


def _joined(frame: Frame, merged: list[Outcomes], needs: int) -> list[Outcomes]:
    groups = [merged[0]]
    for outcomes in merged[1:]:
        size = len(groups[-1].chances) * len(outcomes.chances)
        if size * needs <= _GROUP_OUTCOMES or len(groups[-1].chances) == 1:
            groups[-1] = combine(frame, groups[-1], outcomes)
        else:
            groups.append(outcomes)
    return groups


def _by_need(frame: Frame, group: Outcomes) -> Words:
    """Lay a group's demand out by rank and word, with an outcome for each need and pick."""
    needs, size = frame.case.needs, len(group.chances)
    ranks = max(len(need.constructs) for need in needs)
    table = np.zeros((ranks, len(frame.rows), len(needs) * size), dtype=np.uint64)
    table[:, 0] = NEVER
    for number, need in enumerate(needs):
        mine = slice(number * size, (number + 1) * size)
        for rank, construct in enumerate(need.constructs):
            table[rank, :, mine] = group.demand[frame.constructs.index(construct)]
    return table


def _servable(frame: Frame, groups: list[Outcomes]) -> Reals | None:
    named = [item for group in groups for item in group.items]
    ranks = max(len(need.constructs) for need in frame.case.needs)
    if len(named) != len(set(named)) or ranks > _MAX_SUBSET_RANKS:
        return None
    fit = [
        np.array([demand_fits(frame, demand, 0) for demand in group.demand]).reshape(
            len(group.demand), len(group.chances)
        )
        for group in groups
    ]
    found = []
    for need in frame.case.needs:
        chosen = [frame.constructs.index(construct) for construct in need.constructs]
        chance = 0.0
        for size in range(1, len(chosen) + 1):
            for subset in combinations(chosen, size):
                together = 1.0
                for group, fitting in zip(groups, fit, strict=True):
                    together *= float(fitting[list(subset)].all(axis=0) @ group.chances)
                chance += together if size % 2 else -together
        found.append(min(1.0, max(0.0, chance)))
    return np.array(found)
