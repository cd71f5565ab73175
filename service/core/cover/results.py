"""What goes into a check of cases against stock, and what comes out of it."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime

from service.core.constructs.kit_lines import KitLine
from service.core.cover.units import Claim, Reason, StockUnits
from service.core.sizing import SizesNeeded

NOTHING_SIZED = SizesNeeded((), ())


@dataclass(frozen=True, slots=True)
class Rack:
    """What is never measured before the operation is brought as a rack: its role and its range."""

    role: str
    smallest_mm: float
    largest_mm: float


@dataclass(frozen=True, slots=True)
class SizesToCheck:
    """What the sizes of a construct are checked by.

    Parameters
    ----------
    needed
        What decides which sizes are needed.
    covered_probability
        Below this probability that they are there the construct is not covered, 0 to 1.
    is_measured
        Whether at least one of the lengths that can be measured before has been.
    """

    needed: SizesNeeded = NOTHING_SIZED
    covered_probability: float = 0.0
    is_measured: bool = True
    racks: tuple[Rack, ...] = ()


#: The states of a construct, the best first. ``covered``: all of it is there. ``covered if``: all
#: of it will be there if something still happens in time. ``partly covered``: something is
#: missing, or the size needed is too likely to be, but every role can be filled in some size.
#: ``not covered``: a role cannot be filled, or nothing was measured, so that sizes are unknown.
STATES = ("covered", "covered if", "partly covered", "not covered")


@dataclass(frozen=True, slots=True)
class ConstructToCheck:
    """One planned construct of a case with what it needs brought, and what its sizes hang on."""

    name: str
    lines: tuple[KitLine, ...]
    sizes: SizesToCheck = SizesToCheck()


@dataclass(frozen=True, slots=True)
class CaseToCheck:
    """A case as the check sees it.

    Parameters
    ----------
    list_date
        The list day, a date local to the site.
    starts, ends
        Aware moments in UTC; ``ends`` after ``starts``.
    near
        Lines for what must be near though no construct takes it.
    operating_list
        The list it is on: an unopened backup may move on within one list.
    is_overrun
        Whether it is still open after its planned end: nobody can say when it is over.
    sets_had
        References of the copies of sets that were opened for it and sent off while it is in
        theatre: it claims no others merely because it is still open.
    used_on
        The day it uses what it has, where that is after its list day: it runs over midnight.
    """

    case: str
    list_date: date
    starts: datetime
    ends: datetime
    constructs: tuple[ConstructToCheck, ...]
    near: tuple[KitLine, ...] = ()
    operating_list: str = ""
    is_overrun: bool = False
    sets_had: tuple[str, ...] = ()
    used_on: date | None = None


@dataclass(frozen=True, slots=True)
class Expectation:
    """Something that has to happen before a case starts, or it is not covered.

    Parameters
    ----------
    ref
        What has to be back, sterile, or has to arrive.
    name
        Its serial or lot.
    due
        When it is expected, an aware moment; never after ``needed``.
    needed
        When it has to be there: the start of the case.
    after
        The case that has it before; empty for a delivery, whose reference is then the name, and for
        what arrives from another site.
    sent_from
        The site it arrives from; empty for a delivery or a set that comes back.
    is_late
        Whether it should have arrived by now; ``due`` is then when it should have.
    """

    ref: str
    name: str
    due: datetime
    needed: datetime
    after: str
    sent_from: str = ""
    is_late: bool = False


@dataclass(frozen=True, slots=True)
class Pick:
    """Units of one parcel for one line.

    Parameters
    ----------
    shared_with
        Other cases of the same list that count on the same unopened units.
    expected
        What has to happen first, or ``None`` when they are there.
    """

    parcel: StockUnits
    quantity: int
    shared_with: tuple[str, ...] = ()
    expected: Expectation | None = None


@dataclass(frozen=True, slots=True)
class Gap:
    """Something missing for a line.

    Parameters
    ----------
    what
        ``size``, ``side``, ``head design``, ``instrument set``, ``consumable`` or ``implant``.
    because
        One of ``BECAUSE``.
    missing
        How many units are missing.
    reasons
        Everything that was found in the way, for the sentence and for who wants to know more.
    """

    role: str
    label: str
    what: str
    because: str
    missing: int
    sentence: str
    reasons: tuple[Reason, ...]

    @property
    def can_be_closed(self) -> bool:
        """Whether more units would close it: a case that has opened its set claims no second."""
        return self.because != "opened_here"


@dataclass(frozen=True, slots=True)
class LineCheck:
    """A line with what was found for it, and the gap where something is missing."""

    line: KitLine
    picks: tuple[Pick, ...]
    gap: Gap | None

    @property
    def found(self) -> int:
        """How many units were found."""
        return sum(pick.quantity for pick in self.picks)


@dataclass(frozen=True, slots=True)
class ImplantSizes:
    """One sized implant of a construct: the probability that the size it needs was found."""

    role: str
    probability: float


@dataclass(frozen=True, slots=True)
class SizesFound:
    """The probability that every size a construct needs was found, and that of each implant.

    Parameters
    ----------
    implants
        In the order of the template; empty when nothing has a size.
    is_enough
        Whether it is as probable as a covered construct has to be.
    is_measured
        Whether there is a measure behind it; sizes that are only assumed are unknown.
    racks
        What is brought in every size, whatever was listed.
    """

    probability: float = 1.0
    implants: tuple[ImplantSizes, ...] = ()
    is_enough: bool = True
    is_measured: bool = True
    racks: tuple[Rack, ...] = ()


@dataclass(frozen=True, slots=True)
class ConstructCheck:
    """A construct with its state in words: one of ``STATES``."""

    name: str
    state: str
    lines: tuple[LineCheck, ...]
    sizes: SizesFound = SizesFound()

    @property
    def gaps(self) -> tuple[Gap, ...]:
        """Every gap of the construct, in the order of its lines."""
        return tuple(line.gap for line in self.lines if line.gap is not None)

    @property
    def expectations(self) -> tuple[Expectation, ...]:
        """Everything that has to happen before the construct is covered, each once."""
        return expectations_of(self.lines)


def expectations_of(lines: Iterable[LineCheck]) -> tuple[Expectation, ...]:
    """Return what has to happen before lines are covered, in their order, each once."""
    found = (pick.expected for line in lines for pick in line.picks)
    return tuple(dict.fromkeys(one for one in found if one is not None))


def awaited_by(check: "CaseCheck", now: datetime) -> tuple[Expectation, ...]:
    """Return all that a case's constructs may still get in time, each once.

    What has to happen before they are covered, and deliveries due before the case that would fill
    their gaps: those cover nothing, and count in a probability only. What is overdue, or late from
    another site, may never come.
    """
    lines = [line for one in check.constructs for line in one.lines]
    due = (
        Expectation(why.units.ref, why.units.lot, why.when, check.case.starts, "")
        for why in reasons_of(lines)
        if why.because == "not_here_yet" and why.units is not None
        if why.when is not None and why.when > now
    )
    before = (one for one in expectations_of(lines) if not one.is_late)
    return tuple(dict.fromkeys((*before, *due)))


def reasons_of(lines: Iterable[LineCheck]) -> Iterator[Reason]:
    """Return everything that stands in the way of what is missing, in the order of the lines."""
    for line in lines:
        if line.gap is not None:
            yield from line.gap.reasons


@dataclass(frozen=True, slots=True)
class CaseCheck:
    """A case with its constructs, the primary first, what must be near, and what it claims."""

    case: CaseToCheck
    constructs: tuple[ConstructCheck, ...]
    near: tuple[LineCheck, ...]
    claims: tuple[Claim, ...] = ()
