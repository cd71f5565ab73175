"""Simulated readiness of one part, for where exact would take too long."""

from dataclasses import dataclass

import numpy as np

from service.core.readiness.layout import Layout, Words
from service.core.readiness.pool import Pool
from service.core.readiness.problem import Estimate
from service.core.readiness.reduce import Part
from service.core.readiness.results import PartResult
from service.core.readiness.sampling import Sampler, sampler_of
from service.core.readiness.step import Watch, run_case, run_moves, servable_untouched
from service.core.readiness.words import Flags, Indices, Reals

_CHUNK_BYTES = 1 << 25
_MAX_CHUNK = 16_384
_MIN_CHUNK = 1_024
_GAIN_BUDGET = 0.5
_FIRST_GAIN_SHARE = 0.25
_FIRST_GAIN_CASES = 4
_MIN_WATCHED = 32
_UNIFORM_SPREAD = 12**-0.5


@dataclass(slots=True)
class _Tally:
    """Counts for one case, by need: samples the untouched stock could serve, and served."""

    servable: Reals
    served: Reals

    def add(self, needs: Indices, servable: Flags, served: Flags) -> None:
        size = len(self.servable)
        self.servable += np.bincount(needs[servable], minlength=size)
        self.served += np.bincount(needs[served], minlength=size)


@dataclass(slots=True)
class _Run:
    """What is counted over all chunks."""

    layout: Layout
    samplers: list[Sampler]
    tallies: list[_Tally]
    forks: Reals
    worths: Reals
    possible: int = 0
    everyone: int = 0
    watched: int = 0
    gain_share: float = 0.0


def simulate(
    part: Part, layout: Layout, samples: int, seed: tuple[int, int], *, gains: bool
) -> PartResult:
    """Answer for one part by sampling.

    A sample draws need and factor outcomes of every case and runs the list once. An outcome
    that the stock could not serve even if no case came before it takes nothing and is never
    served; its probability is known exactly, so that only the rest is estimated: the list by the
    share of served lists among those with no such outcome, a case by the same share under each
    need, weighted with the exact probabilities. Gains follow, with the same draws, only the
    samples that one more unit sends another way, from the case on where it does; their number
    is bounded so that they cost about as much as the answer itself.

    Parameters
    ----------
    part : Part
        Cases and the supplies that bind them.
    layout : Layout
        Layout of the part.
    samples : int
        Number of samples.
    seed : tuple of (int, int)
        Seed of the problem and number of the part.
    gains : bool
        True to estimate the gains too.

    Returns
    -------
    PartResult
        With honest standard errors: never 0 because nothing was seen to vary.

    Examples
    --------
    >>> from service.core.readiness.example import small_part
    >>> from service.core.readiness.layout_rows import layout_of
    >>> part = small_part()
    >>> layout = layout_of(part)
    >>> found = simulate(part, layout, 1000, (1, 0), gains=False).everyone
    >>> abs(found.value - 0.5) < 4 * found.standard_error
    True
    """
    samplers = [
        sampler_of(case, layout, k, samples, spare=gains) for k, case in enumerate(part.cases)
    ]
    tallies = [_Tally(np.zeros(len(c.needs)), np.zeros(len(c.needs))) for c in part.cases]
    size = len(layout.items) * len(samplers)
    run = _Run(layout, samplers, tallies, np.zeros(size), np.zeros(size))
    run.gain_share = min(_FIRST_GAIN_SHARE, _FIRST_GAIN_CASES / len(samplers))
    random = np.random.Generator(np.random.SFC64(np.random.SeedSequence(seed)))
    size = _chunk(len(layout.start), samples)
    done = 0
    while done < samples:
        _run_chunk(run, random, min(size, samples - done), gains=gains)
        done += size
    return _result(part, run, samples)


def _chunk(rows: int, samples: int) -> int:
    fitting = max(_MIN_CHUNK, min(_MAX_CHUNK, _CHUNK_BYTES // (8 * rows)))
    return -(-samples // -(-samples // fitting))


def _run_chunk(run: _Run, random: np.random.Generator, count: int, *, gains: bool) -> None:
    state = np.repeat(run.layout.start[:, None], count, axis=1)
    watched = max(_MIN_WATCHED, int(count * run.gain_share)) if gains else 0
    watched = min(watched, count)
    run.watched += watched
    every, possible = (np.ones(count, dtype=np.bool_) for _ in range(2))
    pool = Pool(len(run.layout.start))
    steps = 0
    watch = Watch(run.layout, watched) if gains else None
    for position, (sampler, tally) in enumerate(zip(run.samplers, run.tallies, strict=True)):
        run_moves(sampler.turn, state)
        needs, picks = sampler.draw(random, count)
        forced = _run_forced(sampler, tally, state, picks)
        served = run_case(sampler.turn, state, sampler.fold(needs, picks), watch)
        servable = _servable(sampler, needs, picks, served)
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


def _run_forced(sampler: Sampler, tally: _Tally, state: Words, picks: list[Indices]) -> int:
    """See how rare needs would fare on the samples set aside; return how many those are."""
    ends = 0
    for need, block in sampler.forced_blocks(state.shape[1]):
        mine = [pick[block] for pick in picks]
        needs = np.full(len(mine[0]), need, dtype=np.intp)
        served = run_case(sampler.turn, state[:, block].copy(), sampler.fold(needs, mine))
        tally.add(needs, _servable(sampler, needs, mine, served), served)
        ends = block.stop
    return ends


def _servable(sampler: Sampler, needs: Indices, picks: list[Indices], served: Flags) -> Flags:
    """Tell which samples the untouched stock could serve: all that were served, and others."""
    found = np.ones(len(served), dtype=np.bool_)
    if sampler.split:
        rest = np.flatnonzero(~served)
        folded = sampler.fold(needs[rest], [pick[rest] for pick in picks])
        found[rest] = servable_untouched(sampler.turn, folded)
    return found


def _count_gains(run: _Run, pool: Pool) -> None:
    size = len(run.forks)
    keys = pool.items * len(run.samplers) + pool.begun
    run.forks += np.bincount(keys, minlength=size)
    run.worths += np.bincount(keys, weights=pool.more, minlength=size)


def _share(served: float, servable: float) -> Estimate:
    """Estimate a share; its error comes from one more success and failure than were seen."""
    if not servable:
        return Estimate(0.5, _UNIFORM_SPREAD)
    smoothed = (served + 1) / (servable + 2)
    return Estimate(served / servable, (smoothed * (1 - smoothed) / servable) ** 0.5)


def _result(part: Part, run: _Run, samples: int) -> PartResult:
    cases, needs, possible = [], [], 1.0
    for position, (sampler, tally) in enumerate(zip(run.samplers, run.tallies, strict=True)):
        shares = [_share(s, n) for s, n in zip(tally.served, tally.servable, strict=True)]
        ceiling = np.ones(len(shares))
        if sampler.servable is not None and (sampler.split or position == 0):
            ceiling = sampler.servable
        if sampler.servable is not None and position == 0:
            # Nothing was taken before the first case: what could serve it does serve it.
            shares = [Estimate(1.0, 0.0)] * len(shares)
        by_need = ceiling * [share.value for share in shares]
        errors = sampler.chances * ceiling * [share.standard_error for share in shares]
        value = min(1.0, float(sampler.chances @ by_need))
        cases.append(Estimate(value, float(np.sqrt(errors @ errors))))
        needs.append(by_need)
        possible *= min(1.0, float(sampler.chances @ ceiling)) if sampler.split else 1.0
    share = _share(run.everyone, run.possible)
    everyone = Estimate(possible * share.value, possible * share.standard_error)
    result = PartResult(part.positions, everyone, cases, needs, samples)
    for item, position in zip(*np.nonzero(run.forks.reshape(-1, len(cases))), strict=True):
        key = item * len(cases) + position
        chance, worth = run.forks[key] / run.watched, run.worths[key] / run.watched
        result.add_fork(run.layout.items[item], int(position), chance, worth)
    return result
