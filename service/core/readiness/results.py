"""What one independent part answers, and how parts are put together."""

from dataclasses import dataclass, field

import numpy as np

from service.core.readiness.packed_state import Reals
from service.core.readiness.parts import ListPart
from service.core.readiness.problem import ProbabilityEstimate


@dataclass(slots=True)
class PartResult:
    """Estimates for one part.

    Attributes
    ----------
    positions : tuple of int
        Positions of the part's cases on the list.
    everyone : ProbabilityEstimate
        Probability that every case of the part is served.
    cases : list of ProbabilityEstimate
        Readiness of each case.
    needs : list of Reals
        For each case, the probability that it is served under each need.
    forks : dict
        For each item, by position on the list: the probability that a case there is the first of
        the part to take one more unit of it, and the further cases then expected to be served
        times that probability.
    errors : dict
        For each item of which the forks were sampled the standard errors of the further cases and
        of the chance that the unit is taken, both summed over positions.
    samples : int or None
        Number of samples; None where the part was answered exactly.
    """

    positions: tuple[int, ...]
    everyone: ProbabilityEstimate
    cases: list[ProbabilityEstimate]
    needs: list[Reals]
    samples: int | None = None
    forks: dict[str, dict[int, tuple[float, float]]] = field(default_factory=dict)
    errors: dict[str, tuple[float, float]] = field(default_factory=dict)

    @classmethod
    def exact(cls, part: ListPart, everyone: float, needs: list[Reals]) -> "PartResult":
        """Return the result of a part answered without sampling."""
        cases = []
        for case, by_need in zip(part.cases, needs, strict=True):
            chances = np.array([need.probability for need in case.needs])
            cases.append(ProbabilityEstimate(_chance(float(chances @ by_need)), 0.0))
        whole = ProbabilityEstimate(_chance(everyone), 0.0)
        return cls(part.positions, whole, cases, [np.clip(n, 0.0, 1.0) for n in needs])

    def add_fork(self, item: str, position: int, chance: float, worth: float) -> None:
        """Note how often the case at a position of the part is first to take one more unit."""
        forks = self.forks.setdefault(item, {})
        forks[self.positions[position]] = (float(chance), float(worth))


def _chance(value: float) -> float:
    return min(1.0, max(0.0, value))


def list_readiness(parts: list[PartResult]) -> ProbabilityEstimate:
    """Multiply the parts' probabilities that all are served.

    Parameters
    ----------
    parts : list of PartResult
        Independent parts.

    Returns
    -------
    ProbabilityEstimate
        The product, with the standard error of a product of independent estimates.

    Examples
    --------
    >>> halves = [PartResult((k,), ProbabilityEstimate(0.5, 0.0), [], []) for k in range(2)]
    >>> list_readiness(halves)
    ProbabilityEstimate(value=0.25, standard_error=0.0)
    """
    squares = [(part.everyone.value**2, part.everyone.standard_error**2) for part in parts]
    value = float(np.prod([part.everyone.value for part in parts]))
    spread = np.prod([mean + error for mean, error in squares])
    variance = float(spread - np.prod([mean for mean, _ in squares]))
    return ProbabilityEstimate(_chance(value), max(0.0, variance) ** 0.5)


#: A gain is named when it is larger than so many of its standard errors. Hundreds of items are
#: looked at beside one list, so that two would name some of those that add nothing.
STANDARD_ERRORS = 3.0


def gains_of(parts: list[PartResult], count: int) -> tuple[tuple[str, ProbabilityEstimate], ...]:
    """Rank items by the further cases one more undated unit of each would serve.

    The unit goes to the first case on the list that it makes a difference to. Parts are
    independent, so a fork counts with the probability that no other part took the unit before.

    Parameters
    ----------
    parts : list of PartResult
        Independent parts.
    count : int
        How many to return.

    Returns
    -------
    tuple of (str, ProbabilityEstimate)
        Items and gains in cases, largest first, ties by name; items that add nothing are left
        out, and so are those whose gain lies within its error.

    Examples
    --------
    >>> part = PartResult((0,), ProbabilityEstimate(0.5, 0.0), [], [], forks={"x": {0: (0.5, 0.5)}})
    >>> gains_of([part, part], 1)
    (('x', ProbabilityEstimate(value=0.75, standard_error=0.0)),)
    """
    found = []
    for item in sorted({name for part in parts for name in part.forks}):
        sampled = [part for part in parts if item in part.forks]
        holders = [part.forks[item] for part in sampled]
        gain = sum(
            worth * _untouched(holders, mine, position)
            for mine in range(len(holders))
            for position, (_, worth) in holders[mine].items()
        )
        error = _gain_error(sampled, item)
        if gain > max(_NOTHING, STANDARD_ERRORS * error):
            found.append((item, ProbabilityEstimate(float(gain), error)))
    return tuple(sorted(found, key=lambda pair: (-pair[1].value, pair[0]))[:count])


def _gain_error(parts: list[PartResult], item: str) -> float:
    """Return the standard error of a gain, at most.

    How much each part adds varies, and how likely another part has taken the unit before: that
    moves the gain by no more than all the other parts add.
    """
    worths = [sum(abs(worth) for _, worth in part.forks[item].values()) for part in parts]
    variance = 0.0
    for part, own in zip(parts, worths, strict=True):
        worth_error, chance_error = part.errors.get(item, (0.0, 0.0))
        variance += worth_error**2 + (chance_error * (sum(worths) - own)) ** 2
    return float(variance**0.5)


_NOTHING = 1e-12


def _untouched(holders: list[dict[int, tuple[float, float]]], mine: int, position: int) -> float:
    chance = 1.0
    for other, forks in enumerate(holders):
        if other != mine:
            earlier = sum(taken for k, (taken, _) in forks.items() if (k, other) < (position, mine))
            chance *= max(0.0, 1.0 - earlier)
    return chance
