"""Simulated readiness of one part, for where exact would take too long."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from service.core.readiness.exact import rank_tables
from service.core.readiness.packed_demand import (
    NEVER,
    CaseFrame,
    DemandOutcomes,
    combine_groups,
    demand_fits,
    factor_outcomes,
    frame_of,
)
from service.core.readiness.packed_state import Flags, Indices, Reals, StateLayout, Words
from service.core.readiness.packed_step import (
    GainBranch,
    GainWatch,
    PackedCase,
    run_case,
    run_moves,
    servable_untouched,
)
from service.core.readiness.parts import ListPart
from service.core.readiness.problem import Case, ProbabilityEstimate
from service.core.readiness.results import PartResult

_CHUNK_BYTES = 1 << 25


_MAX_CHUNK = 16_384


_MIN_CHUNK = 1_024


#: How many branches are followed for each sample, at most: beyond that fewer samples are watched.
_GAIN_BUDGET = 4.0


_MIN_WATCHED = 32


_UNIFORM_SPREAD = 12**-0.5


#: Hears how many runs are done, and of how many.
Tell = Callable[[int, int], None]


@dataclass(slots=True)
class _Tally:
    """Counts for one case, by need: samples the untouched stock could serve, and served."""

    servable: Reals
    served: Reals

    def add(self, needs: Indices, servable: Flags, served: Flags) -> None:
        size = len(self.servable)
        self.servable += np.bincount(needs[servable], minlength=size)
        self.served += np.bincount(needs[served], minlength=size)


class DrawTable:
    """Draws from a discrete distribution: a table for most draws, a search for the rest.

    Parameters
    ----------
    chances : Reals
        Probabilities, summing to one up to rounding.

    Examples
    --------
    >>> DrawTable(np.array([0.0, 1.0])).draw(np.random.default_rng(1), 3).tolist()
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
    turn : PackedCase
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
        DemandOutcomes of each group of factors.
    guides : tuple of DrawTable
        For the needs, then for each group.
    """

    turn: PackedCase
    chances: Reals
    servable: Reals | None
    split: bool
    forced: tuple[int, ...]
    sizes: tuple[int, ...]
    guides: tuple[DrawTable, ...]

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


@dataclass(slots=True)
class _Run:
    """What is counted over all chunks."""

    layout: StateLayout
    samplers: list[Sampler]
    tallies: list[_Tally]
    forks: Reals
    worths: Reals
    squares: Reals
    possible: int = 0
    everyone: int = 0
    watched: int = 0
    gain_share: float = 1.0


def simulate(
    part: ListPart,
    layout: StateLayout,
    samples: int,
    seed: tuple[int, int],
    *,
    gains: bool,
    tell: Callable[[int], None] | None = None,
) -> PartResult:
    """Answer for one part by sampling.

    A sample draws need and factor outcomes of every case and runs the list once. An outcome
    that the stock could not serve even if no case came before it takes nothing and is never
    served, whatever is expected; its probability is known exactly, so that only the rest is
    estimated: the list by the
    share of served lists among those with no such outcome, a case by the same share under each
    need, weighted with the exact probabilities. Gains follow, with the same draws, only the
    samples that one more unit sends another way, from the case on where it does; their number
    is bounded, so that what they cost is, too.

    Parameters
    ----------
    part : ListPart
        Cases and the supplies that bind them.
    layout : StateLayout
        StateLayout of the part.
    samples : int
        Number of samples.
    seed : tuple of (int, int)
        Seed of the problem and number of the part.
    gains : bool
        True to estimate the gains too.
    tell : Callable or None
        Hears after each chunk how many samples are done.

    Returns
    -------
    PartResult
        With honest standard errors: never 0 because nothing was seen to vary.

    Examples
    --------
    >>> from tests.core.readiness_example import small_part
    >>> from service.core.readiness.packed_state import state_layout
    >>> part = small_part()
    >>> layout = state_layout(part)
    >>> found = simulate(part, layout, 1000, (1, 0), gains=False).everyone
    >>> abs(found.value - 0.5) < 4 * found.standard_error
    True
    """
    samplers = [
        sampler_of(case, layout, k, samples, spare=gains) for k, case in enumerate(part.cases)
    ]
    tallies = [_Tally(np.zeros(len(c.needs)), np.zeros(len(c.needs))) for c in part.cases]
    size = len(layout.items) * len(samplers)
    run = _Run(layout, samplers, tallies, np.zeros(size), np.zeros(size), np.zeros(size))
    random = np.random.Generator(np.random.SFC64(np.random.SeedSequence(seed)))
    size = _chunk(len(layout.start), samples)
    done = 0
    while done < samples:
        _run_chunk(run, random, min(size, samples - done), gains=gains)
        done = min(done + size, samples)
        if tell is not None:
            tell(done)
    return _result(part, run, samples)


def _chunk(rows: int, samples: int) -> int:
    fitting = max(_MIN_CHUNK, min(_MAX_CHUNK, _CHUNK_BYTES // (8 * rows)))
    return -(-samples // -(-samples // fitting))


def _run_chunk(run: _Run, random: np.random.Generator, count: int, *, gains: bool) -> None:
    state = _starts(run.layout, random, count)
    watched = max(_MIN_WATCHED, int(count * run.gain_share)) if gains else 0
    watched = min(watched, count)
    run.watched += watched
    every, possible = (np.ones(count, dtype=np.bool_) for _ in range(2))
    pool = Pool(len(run.layout.start))
    steps = 0
    watch = GainWatch(run.layout, watched) if gains else None
    for position, (sampler, tally) in enumerate(zip(run.samplers, run.tallies, strict=True)):
        run_moves(sampler.turn, state)
        needs, picks = sampler.draw(random, count)
        forced = _run_forced(sampler, tally, state, picks)
        served = run_case(sampler.turn, state, sampler.fold(needs, picks), watch)
        servable = _servable_samples(sampler, needs, picks, served)
        free = slice(forced, None)
        tally.add(needs[free], servable[free], served[free])
        every &= served
        possible &= servable
        if watch is not None:
            steps += pool.size
            pool.follow(sampler, needs, picks, served)
            pool.grow(watch.collect(), position, served)
    run.possible += int(possible.sum())
    run.everyone += int(every.sum())
    if watch is not None:
        _count_gains(run, pool)
        ratio = steps / (watched * len(run.samplers))
        run.gain_share = min(1.0, _GAIN_BUDGET / ratio) if ratio else 1.0


def _starts(layout: StateLayout, random: np.random.Generator, count: int) -> Words:
    """Draw for each sample what comes of what is expected."""
    state = np.repeat(layout.start[:, None], count, axis=1)
    for arrival in layout.arrivals:
        fails = np.flatnonzero(random.random(count) >= arrival.probability)
        for row in np.flatnonzero(arrival.missing):
            state[row, fails] -= arrival.missing[row]
    return state


def _run_forced(sampler: Sampler, tally: _Tally, state: Words, picks: list[Indices]) -> int:
    """See how rare needs would fare on the samples set aside; return how many those are."""
    ends = 0
    for need, block in sampler.forced_blocks(state.shape[1]):
        mine = [pick[block] for pick in picks]
        needs = np.full(len(mine[0]), need, dtype=np.intp)
        served = run_case(sampler.turn, state[:, block].copy(), sampler.fold(needs, mine))
        tally.add(needs, _servable_samples(sampler, needs, mine, served), served)
        ends = block.stop
    return ends


def _servable_samples(
    sampler: Sampler, needs: Indices, picks: list[Indices], served: Flags
) -> Flags:
    """Tell which samples the untouched stock could serve: all that were served, and others."""
    found = np.ones(len(served), dtype=np.bool_)
    if sampler.split:
        rest = np.flatnonzero(~served)
        folded = sampler.fold(needs[rest], [pick[rest] for pick in picks])
        found[rest] = servable_untouched(sampler.turn, folded)
    return found


class Pool:
    """Branches of one chunk of samples.

    Parameters
    ----------
    rows : int
        Rows of the state.

    Attributes
    ----------
    size : int
        Number of branches.
    columns, items, begun : Indices
        Sample each comes from, item of which one more was there, case where it began.
    more : Reals
        Cases served more than in the sample, so far.
    """

    def __init__(self, rows: int) -> None:
        self.size = 0
        self.columns: Indices = np.empty(0, dtype=np.intp)
        self.items: Indices = np.empty(0, dtype=np.intp)
        self.begun: Indices = np.empty(0, dtype=np.intp)
        self.more: Reals = np.empty(0)
        self._state: Words = np.empty((rows, _FIRST_CAPACITY), dtype=np.uint64)

    def follow(self, sampler: Sampler, needs: Indices, picks: list[Indices], served: Flags) -> None:
        """Run a case on the branches, with the draws of the samples they come from."""
        if not self.size:
            return
        state = self._state[:, : self.size]
        run_moves(sampler.turn, state)
        mine = [pick[self.columns] for pick in picks]
        self.more += run_case(sampler.turn, state, sampler.fold(needs[self.columns], mine))
        self.more -= served[self.columns]

    def grow(self, branches: list[GainBranch], position: int, served: Flags) -> None:
        """Add the branches that began at a case, which serves them whether their sample or not."""
        for branch in branches:
            count = len(branch.columns)
            self._reserve(self.size + count)
            self._state[:, self.size : self.size + count] = branch.state
            self.size += count
            self.columns = np.concatenate([self.columns, branch.columns])
            self.items = np.concatenate([self.items, branch.items])
            self.begun = np.concatenate([self.begun, np.full(count, position, dtype=np.intp)])
            self.more = np.concatenate([self.more, 1.0 - served[branch.columns]])

    def _reserve(self, size: int) -> None:
        rows, capacity = self._state.shape
        if size > capacity:
            wider = np.empty((rows, max(size, 2 * capacity)), dtype=np.uint64)
            wider[:, : self.size] = self._state[:, : self.size]
            self._state = wider


def _count_gains(run: _Run, pool: Pool) -> None:
    size = len(run.forks)
    keys = pool.items * len(run.samplers) + pool.begun
    run.forks += np.bincount(keys, minlength=size)
    run.worths += np.bincount(keys, weights=pool.more, minlength=size)
    run.squares += np.bincount(keys, weights=pool.more**2, minlength=size)


def _share(served: float, servable: float) -> ProbabilityEstimate:
    """Estimate a share; its error comes from one more success and failure than were seen."""
    if not servable:
        return ProbabilityEstimate(0.5, _UNIFORM_SPREAD)
    smoothed = (served + 1) / (servable + 2)
    return ProbabilityEstimate(served / servable, (smoothed * (1 - smoothed) / servable) ** 0.5)


def _result(part: ListPart, run: _Run, samples: int) -> PartResult:
    cases, needs, possible = [], [], 1.0
    for position, (sampler, tally) in enumerate(zip(run.samplers, run.tallies, strict=True)):
        shares = [_share(s, n) for s, n in zip(tally.served, tally.servable, strict=True)]
        ceiling = np.ones(len(shares))
        if sampler.servable is not None and (sampler.split or position == 0):
            ceiling = sampler.servable
        if sampler.servable is not None and position == 0 and not run.layout.arrivals:
            # Nothing was taken before the first case: what could serve it does serve it.
            shares = [ProbabilityEstimate(1.0, 0.0)] * len(shares)
        by_need = ceiling * [share.value for share in shares]
        errors = sampler.chances * ceiling * [share.standard_error for share in shares]
        value = min(1.0, float(sampler.chances @ by_need))
        cases.append(ProbabilityEstimate(value, float(np.sqrt(errors @ errors))))
        needs.append(by_need)
        possible *= min(1.0, float(sampler.chances @ ceiling)) if sampler.split else 1.0
    share = _share(run.everyone, run.possible)
    everyone = ProbabilityEstimate(possible * share.value, possible * share.standard_error)
    result = PartResult(part.positions, everyone, cases, needs, samples)
    for item, position in zip(*np.nonzero(run.forks.reshape(-1, len(cases))), strict=True):
        key = item * len(cases) + position
        chance, worth = run.forks[key] / run.watched, run.worths[key] / run.watched
        result.add_fork(run.layout.items[item], int(position), chance, worth)
    sums = (one.reshape(-1, len(cases)).sum(axis=1) for one in (run.forks, run.worths, run.squares))
    for name, forks, worth, square in zip(run.layout.items, *sums, strict=True):
        if forks:
            # A sample forks once for an item at most: what it adds is what its one branch adds.
            result.errors[name] = (
                _mean_error(worth, square, run.watched),
                _mean_error(forks, forks, run.watched),
            )
    return result


def _mean_error(total: float, squares: float, count: int) -> float:
    """Return the standard error of a mean, from one more sample of 0 and of 1 than were seen."""
    seen = count + 2
    mean = (total + 1) / seen
    return math.sqrt(max(0.0, (squares + 1) / seen - mean**2) / seen)


_FIRST_CAPACITY = 256


_GROUP_OUTCOMES = 2_048


_RAW_BITS = 32


_MAX_GUIDE_BITS = 16


_MAX_SUBSET_RANKS = 8


_RARE_SAMPLES = 2_000


_FORCED_SHARE = 0.05


_MAX_FORCED = 0.5


_WORTH_SPLITTING = 0.02


def sampler_of(
    case: Case, layout: StateLayout, position: int, samples: int, *, spare: bool
) -> Sampler:
    """Prepare a case for sampling.

    Parameters
    ----------
    case : Case
        The case.
    layout : StateLayout
        StateLayout of its part.
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
    >>> from tests.core.readiness_example import small_part
    >>> from service.core.readiness.packed_state import state_layout
    >>> part = small_part()
    >>> layout = state_layout(part)
    >>> sampler_of(part.cases[0], layout, 0, 1000, spare=False).sizes
    (2,)
    """
    frame = frame_of(case, layout, position, spare=spare)
    groups = _joined(frame, factor_outcomes(frame), len(case.needs))
    tables = [_by_need(frame, group) for group in groups]
    turn = PackedCase(layout, layout.cases[position], rank_tables(frame, tables))
    chances = np.array([need.probability for need in case.needs])
    servable = _servable_distribution(frame, groups)
    rare = min(_FORCED_SHARE, _RARE_SAMPLES / samples)
    return Sampler(
        turn=turn,
        chances=chances,
        servable=servable,
        split=servable is not None and float(chances @ servable) < 1 - _WORTH_SPLITTING,
        forced=tuple(np.flatnonzero(chances < rare).tolist()),
        sizes=tuple(len(group.chances) for group in groups),
        guides=(DrawTable(chances), *(DrawTable(group.chances) for group in groups)),
    )


def _joined(frame: CaseFrame, merged: list[DemandOutcomes], needs: int) -> list[DemandOutcomes]:
    groups = [merged[0]]
    for outcomes in merged[1:]:
        size = len(groups[-1].chances) * len(outcomes.chances)
        if size * needs <= _GROUP_OUTCOMES or len(groups[-1].chances) == 1:
            groups[-1] = combine_groups(frame, groups[-1], outcomes)
        else:
            groups.append(outcomes)
    return groups


def _by_need(frame: CaseFrame, group: DemandOutcomes) -> Words:
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


def _servable_distribution(frame: CaseFrame, groups: list[DemandOutcomes]) -> Reals | None:
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
