"""What goes into a check of cases against stock, and what comes out of it."""

from dataclasses import dataclass
from datetime import date, datetime

from service.core.constructs.kit_lines import KitLine
from service.core.cover.units import Claim, Reason, StockUnits


@dataclass(frozen=True, slots=True)
class ConstructToCheck:
    """One planned construct of a case with what it needs brought, the primary first."""

    name: str
    lines: tuple[KitLine, ...]


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
    """

    case: str
    list_date: date
    starts: datetime
    ends: datetime
    constructs: tuple[ConstructToCheck, ...]
    near: tuple[KitLine, ...] = ()
    operating_list: str = ""


@dataclass(frozen=True, slots=True)
class Pick:
    """Units of one parcel for one line.

    Parameters
    ----------
    shared_with
        Other cases of the same list that count on the same unopened units.
    """

    parcel: StockUnits
    quantity: int
    shared_with: tuple[str, ...] = ()


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
class ConstructCheck:
    """A construct with its state in words: ``covered``, ``partly covered``, ``not covered``."""

    name: str
    state: str
    lines: tuple[LineCheck, ...]

    @property
    def gaps(self) -> tuple[Gap, ...]:
        """Every gap of the construct, in the order of its lines."""
        return tuple(line.gap for line in self.lines if line.gap is not None)


@dataclass(frozen=True, slots=True)
class CaseCheck:
    """A case with its constructs, the primary first, what must be near, and what it claims."""

    case: CaseToCheck
    constructs: tuple[ConstructCheck, ...]
    near: tuple[LineCheck, ...]
    claims: tuple[Claim, ...] = ()
