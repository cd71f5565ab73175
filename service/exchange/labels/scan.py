"""What a scanned label says, and the dates written on labels."""

import calendar
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

ScanKind = Literal["gs1", "gtin", "hibc_primary", "hibc_secondary", "hibc_combined", "unknown"]


@dataclass(frozen=True, slots=True)
class Scan:
    """One read of one bar code: facts, or the reason it was refused; never both.

    One type for both, so that no caller can forget the second: a refused scan has ``problem`` set
    and every fact ``None``, so nothing of a doubtful label can be used by mistake.

    Parameters
    ----------
    kind
        The format, as far as it was recognised; ``gtin`` is a product number without lot or date.
    raw
        What the scanner sent, at most the first 500 characters.
    gtin
        14 digits with a right check digit (GS1).
    lic, product, unit
        Labeler, product number and unit of measure digit (HIBC).
    lot, serial
        As printed; upper and lower case are kept.
    use_by, made_on
        Calendar dates; a label that gives only year and month means the last day of the month.
    quantity
        Units in the pack, where the label says so.
    link
        HIBC: the primary code's check character, on the primary itself and on a secondary code.
    problem
        Why the scan was refused, in a sentence; ``None`` when it was read.
    """

    kind: ScanKind
    raw: str
    gtin: str | None = None
    lic: str | None = None
    product: str | None = None
    unit: str | None = None
    lot: str | None = None
    serial: str | None = None
    use_by: date | None = None
    made_on: date | None = None
    quantity: int | None = None
    link: str | None = None
    problem: str | None = None

    @property
    def refused(self) -> bool:
        """Whether the label could not be relied on."""
        return self.problem is not None

    @property
    def needs_primary(self) -> bool:
        """Whether this says a lot or a date but not whose: its primary code must be scanned too."""
        return self.kind == "hibc_secondary" and not self.refused


def refuse(kind: ScanKind, raw: str, reason: str) -> Scan:
    """Make a refused scan that carries its reason and no fact.

    Examples
    --------
    >>> refuse("unknown", "?", "not a label").refused
    True
    """
    return Scan(kind, raw, problem=reason)


def label_year(two_digits: int, today: date) -> int:
    """Return the full year of a two-digit year on a label.

    Parameters
    ----------
    two_digits
        0 to 99.
    today
        The date of reading, local to the site.

    Returns
    -------
    int
        The year from 49 years back to 50 years ahead. Source: GS1 General Specifications,
        section 7.12 (51 or more ahead is the last century, 50 or more behind is the next).

    Examples
    --------
    >>> label_year(31, date(2026, 1, 1)), label_year(99, date(2026, 1, 1))
    (2031, 1999)
    """
    century = today.year - today.year % 100
    ahead = two_digits - today.year % 100
    if ahead > 50:  # noqa: PLR2004 - the window of the specification
        return century - 100 + two_digits
    if ahead <= -50:  # noqa: PLR2004 - the window of the specification
        return century + 100 + two_digits
    return century + two_digits


def label_date(year: int, month: int, day: int) -> date | None:
    """Return the date a label means, or ``None`` when there is no such day.

    Parameters
    ----------
    year, month
        Full year; month 1 to 12.
    day
        Day of the month; 0 means its last day. Source: GS1 General Specifications, section 3.4
        (day 00), from which the same is taken for month-only HIBC dates (common practice).

    Returns
    -------
    date or None
        The date.

    Examples
    --------
    >>> label_date(2028, 2, 0)
    datetime.date(2028, 2, 29)
    >>> label_date(2027, 2, 29) is None
    True
    """
    if not (date.min.year <= year <= date.max.year and 1 <= month <= 12):  # noqa: PLR2004 - months
        return None
    last = calendar.monthrange(year, month)[1]
    return date(year, month, day or last) if 0 <= day <= last else None


def day_of_year(year: int, ordinal: int) -> date | None:
    """Return the date of a day counted within its year (1 is 1 January), or ``None``.

    Examples
    --------
    >>> day_of_year(2020, 15)
    datetime.date(2020, 1, 15)
    >>> day_of_year(2021, 366) is None
    True
    """
    if not date.min.year <= year <= date.max.year or not 1 <= ordinal <= 365 + calendar.isleap(
        year
    ):
        return None
    return date(year, 1, 1) + timedelta(days=ordinal - 1)
