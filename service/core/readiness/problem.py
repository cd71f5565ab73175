"""The readiness problem and its answer as frozen values, with the limits on their size."""

from dataclasses import dataclass
from typing import Literal

MAX_CASES = 500


MAX_PARCELS = 50_000


MAX_SETS = 5_000


MAX_ARRIVALS = 5_000


MAX_FACTORS = 32


MAX_OUTCOMES = 500


MAX_NEEDS = 50


MAX_CONSTRUCTS = 50


MAX_TAKES = 50


MAX_ENTRIES = 200_000


MAX_LINKED_OUTCOMES = 1_000_000


MAX_QUANTITY = 10_000


MAX_TURNAROUND_MINUTES = 525_600


MAX_SAMPLES = 10_000_000


MIN_SAMPLES = 100


MAX_SEED = 2**63 - 1


MAX_GAINS = 10_000


MAX_NAME_CHARACTERS = 200


PROBABILITY_TOLERANCE = 1e-9


DEFAULT_SAMPLES = 100_000


DEFAULT_SEED = 0


DEFAULT_GAINS = 10


Method = Literal["auto", "exact", "simulated"]


Demand = tuple[tuple[str, int], ...]


"""Items and how many of each, sorted by item; no item twice, no quantity below one."""


class ProblemError(ValueError):
    """A problem that cannot be read or answered as asked.

    Parameters
    ----------
    faults : tuple of (str, str)
        JSON pointer to the field and a sentence that says what is wrong with it.

    Examples
    --------
    >>> ProblemError((("/cases", "There are no cases."),)).faults[0][0]
    '/cases'
    """

    def __init__(self, faults: tuple[tuple[str, str], ...]) -> None:
        self.faults = faults
        super().__init__("; ".join(f"{pointer}: {sentence}" for pointer, sentence in faults))


@dataclass(frozen=True, slots=True)
class DatedStock:
    """Units of one item, usable for a case that starts in [from_us, until_us).

    ``arrival`` names the arrival they come with; units without one are there for certain.
    """

    item: str
    quantity: int
    from_us: int | None = None
    until_us: int | None = None
    arrival: str | None = None


@dataclass(frozen=True, slots=True)
class InstrumentSet:
    """Copies of one returning set and the time each is away after a case.

    ``coming`` are further copies that are not there for good: they come, go back, or may not come.
    """

    item: str
    quantity: int
    turnaround_us: int
    coming: tuple[DatedStock, ...] = ()


@dataclass(frozen=True, slots=True)
class Arrival:
    """Something that is expected and may fail to happen; all that comes with it comes or not."""

    name: str
    probability: float


@dataclass(frozen=True, slots=True)
class Factor:
    """Something not known until the operation, with the probability of each outcome."""

    name: str
    probabilities: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Need:
    """What the fracture may turn out to need; constructs by index, in order of preference."""

    name: str
    probability: float
    constructs: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Take:
    """What is taken for each outcome, row-major over the factors; None is a size not made."""

    factors: tuple[int, ...]
    entries: tuple[Demand | None, ...]


@dataclass(frozen=True, slots=True)
class Construct:
    """One way to fix the fracture: the sum of its takes."""

    name: str
    takes: tuple[Take, ...]


@dataclass(frozen=True, slots=True)
class Case:
    """One operation; times in microseconds since the epoch, None where not given."""

    name: str
    starts_us: int | None
    ends_us: int | None
    factors: tuple[Factor, ...]
    needs: tuple[Need, ...]
    constructs: tuple[Construct, ...]


@dataclass(frozen=True, slots=True)
class ReadinessProblem:
    """Stock, sets and cases in the order they run, and how to answer."""

    stock: tuple[DatedStock, ...]
    sets: tuple[InstrumentSet, ...]
    cases: tuple[Case, ...]
    samples: int = DEFAULT_SAMPLES
    seed: int = DEFAULT_SEED
    method: Method = "auto"
    gains: int = DEFAULT_GAINS
    arrivals: tuple[Arrival, ...] = ()


@dataclass(frozen=True, slots=True)
class ProbabilityEstimate:
    """A probability and its standard error (0 where it is exact)."""

    value: float
    standard_error: float


@dataclass(frozen=True, slots=True)
class CaseAnswer:
    """Readiness of one case, of each of its needs, and coverage of each construct."""

    case: str
    readiness: ProbabilityEstimate
    needs: tuple[tuple[str, float], ...]
    constructs: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class ReadinessAnswer:
    """The answer to a readiness problem; samples is None where nothing was simulated.

    ``gain_errors`` are the standard errors of the gains, in their order; 0 where one is exact.
    """

    method: Literal["exact", "simulated"]
    samples: int | None
    list_readiness: ProbabilityEstimate
    cases: tuple[CaseAnswer, ...]
    gains: tuple[tuple[str, float], ...]
    gain_errors: tuple[float, ...] = ()


def is_usable(parcel: DatedStock, starts_us: int | None) -> bool:
    """Tell whether a parcel may be used by a case that starts at that moment.

    Parameters
    ----------
    parcel : DatedStock
        The parcel; its window is half-open, `from <= starts < until`.
    starts_us : int or None
        Start of the case, microseconds since the epoch; None only where no parcel is dated.

    Returns
    -------
    bool
        True inside the window.

    Examples
    --------
    >>> screw = DatedStock("lag-95", 1, from_us=10, until_us=20)
    >>> is_usable(screw, 20), is_usable(screw, 10)
    (False, True)
    """
    if starts_us is None:
        return parcel.from_us is None and parcel.until_us is None
    begun = parcel.from_us is None or parcel.from_us <= starts_us
    return begun and (parcel.until_us is None or starts_us < parcel.until_us)


def is_out(taker: Case, turnaround_us: int, later: Case) -> bool:
    """Tell whether a set taken by one case is still away when another case starts.

    Parameters
    ----------
    taker, later : Case
        The case that took the set and a case further down the list; both have times.
    turnaround_us : int
        Turnaround of the set in microseconds.

    Returns
    -------
    bool
        True where the set is back only after the later case starts.

    Raises
    ------
    ValueError
        Where a case has no times; a parsed problem never gets here.

    Examples
    --------
    >>> first, second = (Case(str(n), n, n + 5, (), (), ()) for n in (0, 8))
    >>> is_out(first, 3, second), is_out(first, 4, second)
    (False, True)
    """
    if taker.ends_us is None or later.starts_us is None:
        raise ValueError("a set needs case times")
    return taker.ends_us + turnaround_us > later.starts_us
