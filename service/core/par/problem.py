"""The par problem as frozen values: a stream of cases, the items kept for it, and what is asked."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass


class ParError(ValueError):
    """A par problem that cannot be read, with every fault found in it.

    Parameters
    ----------
    faults
        Pairs of a JSON pointer into the problem and a sentence that says what is wrong there.

    Examples
    --------
    >>> ParError([("/budget", "A budget is not negative.")]).faults
    (('/budget', 'A budget is not negative.'),)
    """

    def __init__(self, faults: Iterable[tuple[str, str]]) -> None:
        self.faults = tuple(faults)
        super().__init__("; ".join(f"{pointer}: {sentence}" for pointer, sentence in self.faults))


class ParTooLarge(ParError):
    """A par problem beyond a stated limit; the fault names the limit."""


@dataclass(frozen=True, slots=True)
class ParTake:
    """What a construct takes, one entry per joint outcome of the factors it depends on.

    Parameters
    ----------
    factors
        Positions of the factors in the case, the last one varying fastest in `outcomes`.
    outcomes
        Units taken of each item (whole, positive), or None where the size is not made.
    """

    factors: tuple[int, ...]
    outcomes: tuple[Mapping[str, int] | None, ...]


@dataclass(frozen=True, slots=True)
class ParConstruct:
    """One way to fix the fracture; its demand is the sum over its takes."""

    name: str
    takes: tuple[ParTake, ...]


@dataclass(frozen=True, slots=True)
class ParNeed:
    """What the fracture may turn out to need.

    Parameters
    ----------
    name
        Its name within the case.
    probability
        Chance of this need, 0 to 1; the needs of a case sum to 1.
    constructs
        Positions of the constructs that meet it, in order of preference; may be empty.
    """

    name: str
    probability: float
    constructs: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class CaseType:
    """One kind of case: its factors (probabilities of each outcome), needs and constructs."""

    name: str
    factors: tuple[tuple[float, ...], ...]
    needs: tuple[ParNeed, ...]
    constructs: tuple[ParConstruct, ...]


@dataclass(frozen=True, slots=True)
class MixEntry:
    """A kind of case and its share of the stream (a weight relative to the other entries)."""

    weight: float
    case: CaseType


@dataclass(frozen=True, slots=True)
class ParItem:
    """An item whose level is decided.

    Parameters
    ----------
    item
        Its name in the takes.
    unit_cost_minor
        Price of one unit in minor units of money, 0 or more.
    lead_time_days
        Days from the order to the shelf, 0 or more.
    minimum
        Floor on the level, in units.
    shelf_life_days
        Days from delivery to the use-by date, or None where nothing expires.
    """

    item: str
    unit_cost_minor: int
    lead_time_days: float
    minimum: int = 0
    shelf_life_days: float | None = None


@dataclass(frozen=True, slots=True)
class ParProblem:
    """A par problem; exactly one of `levels`, `target_readiness` and `budget_minor` is given.

    Parameters
    ----------
    arrivals_per_day
        Mean of the Poisson stream of cases, 0 or more.
    case_mix
        Kinds of case with their weights.
    items
        The items whose level is decided or evaluated; every other item is always there.
    levels
        Units kept of each item, to be evaluated; an item not named is at its minimum.
    target_readiness
        Readiness to reach at least cost, 0 to 1.
    budget_minor
        Money to make the best use of, in minor units.
    """

    arrivals_per_day: float
    case_mix: tuple[MixEntry, ...]
    items: tuple[ParItem, ...]
    levels: Mapping[str, int] | None = None
    target_readiness: float | None = None
    budget_minor: int | None = None


SLACK = 1e-12


"""Readiness differences below this are rounding."""


@dataclass(frozen=True, slots=True)
class Goal:
    """A target readiness to reach at least cost, or a budget to spend for most readiness.

    Parameters
    ----------
    target
        Readiness to reach, 0 to 1, or None.
    budget_minor
        Money in minor units, or None; exactly one of the two is given.

    Examples
    --------
    >>> Goal(0.9, None).meets(0.95, 1_000_000), Goal(None, 500).meets(0.95, 501)
    (True, False)
    """

    target: float | None
    budget_minor: int | None

    def meets(self, readiness: float, cost_minor: int) -> bool:
        """Tell whether the goal's condition holds."""
        if self.target is not None:
            return readiness >= self.target - SLACK
        return self.budget_minor is None or cost_minor <= self.budget_minor

    def rank(self, readiness: float, cost_minor: int) -> tuple[float, float]:
        """Return a pair that is smaller for the better of two choices that meet the goal."""
        if self.target is not None:
            return (cost_minor, -readiness)
        return (-round(readiness, 12), cost_minor)
