"""Where one item could come from: units here that do not count, units coming, sites, suppliers."""

from dataclasses import dataclass
from datetime import date, datetime

from service.core.calendar import Calendar

__all__ = ["Coming", "Lying", "OtherSite", "Source", "Terms"]


@dataclass(frozen=True, slots=True)
class Terms:
    """On what terms a supplier sends.

    Parameters
    ----------
    supplier
        Its name.
    calendar
        The days on which its lead times run, the site's holidays left out, and its cut-off.
    is_known
        Whether somebody has entered them; otherwise every day counts, and there is no cut-off.
    lends
        Whether it lends, ``None`` when that is not known.
    """

    supplier: str
    calendar: Calendar
    is_known: bool
    lends: bool | None


@dataclass(frozen=True, slots=True)
class Lying:
    """Units of an item that lie here and do not count, or are free for the day only.

    Parameters
    ----------
    state
        ``quarantined``, ``unsterile`` or ``free``: free on the day of the first case.
    held_for
        Cases to which free units are promised on other days.
    """

    state: str
    quantity: int
    pack: str
    place: str
    held_for: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Coming:
    """Units on their way; moments are aware, and ``None`` as long as no date has been named."""

    reference: str
    quantity: int
    due_at: datetime | None
    usable_from: datetime | None
    return_by: date | None = None


@dataclass(frozen=True, slots=True)
class OtherSite:
    """Another site that could be asked; what it has is not seen from here.

    Parameters
    ----------
    asked
        How many units of the item this site has asked it for and has had no answer about.
    """

    code: str
    name: str
    asked: int = 0


@dataclass(frozen=True, slots=True)
class Source:
    """Where one item could come from.

    Parameters
    ----------
    lead_time_days
        From order to delivery, in the supplier's days; ``None`` when it is not known.
    comes_ready
        Whether it comes sterile; otherwise it is reprocessed here before use.
    can_be_lent
        Whether such an item is lent: an instrument set or an implant.
    is_consigned
        Whether the supplier keeps units of it here.
    turnaround_minutes
        For an instrument set: how long reprocessing takes here.
    """

    ref: str
    terms: Terms
    lead_time_days: int | None
    comes_ready: bool = True
    can_be_lent: bool = True
    is_consigned: bool = False
    turnaround_minutes: int | None = None
    lying: tuple[Lying, ...] = ()
    coming: tuple[Coming, ...] = ()
    sites: tuple[OtherSite, ...] = ()
