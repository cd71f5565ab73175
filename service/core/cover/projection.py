"""One item's stock over the coming days: what is there, what is promised, what comes and goes.

Day by day, with the promises as they are now and nothing new asked for. A pack for first use is
gone on the day after its list; a backup goes back unopened. What is on its way is counted apart,
because it is not cover until it has been received.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo
from typing import Literal

from service.core.cover.units import Claim, StockUnits, gone_on, units_needed

ChangeKind = Literal["expires", "goes back", "arrives", "first use", "stands by"]


@dataclass(frozen=True, slots=True)
class DatedChange:
    """Something that happens to the stock on a day.

    Parameters
    ----------
    day
        For ``expires`` the first day on which the units cannot be used; for ``goes back`` the day
        they leave; else the day itself.
    quantity
        Units, at least 1.
    name
        The lot, the delivery or the case.
    """

    day: date
    kind: ChangeKind
    quantity: int
    name: str


@dataclass(frozen=True, slots=True)
class ProjectedDay:
    """The stock on one day.

    Parameters
    ----------
    there
        Units that can be used that day, those for first use on earlier days taken off.
    promised
        Units of these that cases of this day count on.
    coming
        Units that have come by then if every delivery keeps its word, not counted in ``there``.
    """

    day: date
    there: int
    promised: int
    coming: int
    changes: tuple[DatedChange, ...]

    @property
    def free(self) -> int:
        """Units that nobody is promised on this day."""
        return self.there - self.promised


def project_stock(
    parcels: Sequence[StockUnits],
    claims: Iterable[Claim],
    first: date,
    last: date,
    zone: tzinfo,
) -> tuple[ProjectedDay, ...]:
    """Return the stock of one item from one day to another.

    Parameters
    ----------
    parcels
        Units here and on their way, of one item or of items that serve alike; what is blocked
        counts on no day.
    claims
        Promises on these parcels, instrument sets left out; others are ignored.
    first, last
        Both days are in; dates local to the site.
    zone
        The site's time zone: a delivery counts from the local day on which it can be used.

    Returns
    -------
    tuple of ProjectedDay
        One for each day, in order; empty when ``last`` is before ``first``.

    Notes
    -----
    Assumption: first uses happen, backups stay unopened. What opens a backup is not foreseen here.

    Examples
    --------
    >>> from datetime import UTC
    >>> day = date(2031, 3, 4)
    >>> parcel = StockUnits("p", "A", 2, lot="L1", use_by=date(2031, 3, 5))
    >>> use = Claim("K1", "p", 1, day, "T1", stays=True)
    >>> days = project_stock([parcel], [use], day, date(2031, 3, 6), UTC)
    >>> [(one.there, one.promised, one.free) for one in days]
    [(2, 1, 1), (1, 0, 1), (0, 0, 0)]
    >>> [(change.kind, change.quantity) for one in days for change in one.changes]
    [('first use', 1), ('expires', 1)]
    """
    here = [one for one in parcels if not one.blocked and one.is_here]
    due = [one for one in parcels if not one.blocked and not one.is_here]
    by_key: dict[str, list[Claim]] = {one.key: [] for one in here}
    for claim in claims:
        if claim.key in by_key and not claim.is_set:
            by_key[claim.key].append(claim)
    changes = [
        change
        for change in (*_of_stock(here, by_key), *_of_claims(here, by_key), *_of_due(due, zone))
        if first <= change.day <= last
    ]
    days = [first + timedelta(days=number) for number in range((last - first).days + 1)]
    return tuple(
        ProjectedDay(
            day,
            *_on(day, here, by_key),
            coming=sum(one.quantity for one in due if _has_come(one, day, zone)),
            changes=tuple(change for change in changes if change.day == day),
        )
        for day in days
    )


def _on(
    day: date, here: Sequence[StockUnits], claims: Mapping[str, Sequence[Claim]]
) -> tuple[int, int]:
    """Return how many units can be used on a day and how many of them are promised."""
    there = promised = 0
    for parcel in here:
        if not _counts(parcel, day):
            continue
        gone = _gone(parcel, claims[parcel.key], day)
        there += parcel.quantity - gone
        promised += min(units_needed(claims[parcel.key], day), parcel.quantity) - gone
    return there, promised


def _gone(parcel: StockUnits, claims: Sequence[Claim], day: date) -> int:
    """Return how many units of a parcel have been used before a day."""
    used = [claim for claim in claims if claim.stays and claim.list_date < day]
    return min(units_needed(used, day), parcel.quantity)


def _counts(parcel: StockUnits, day: date) -> bool:
    return day < min(_leaves(parcel), date.max)


def _leaves(parcel: StockUnits) -> date:
    return gone_on(parcel.use_by, parcel.return_by) or date.max


def _of_stock(
    here: Sequence[StockUnits], claims: Mapping[str, Sequence[Claim]]
) -> Iterator[DatedChange]:
    for parcel in here:
        day = _leaves(parcel)
        left = parcel.quantity - _gone(parcel, claims[parcel.key], day)
        if day < date.max and left > 0:
            kind: ChangeKind = "goes back" if day == parcel.return_by else "expires"
            yield DatedChange(day, kind, left, parcel.lot or parcel.serial)


def _of_claims(
    here: Sequence[StockUnits], claims: Mapping[str, Sequence[Claim]]
) -> Iterator[DatedChange]:
    wanted: dict[tuple[date, str, ChangeKind], int] = {}
    for parcel in here:
        for claim in claims[parcel.key]:
            if not _counts(parcel, claim.list_date):
                continue
            kind: ChangeKind = "first use" if claim.stays else "stands by"
            key = (claim.list_date, claim.case, kind)
            wanted[key] = wanted.get(key, 0) + claim.quantity
    for (day, case, kind), quantity in sorted(wanted.items()):
        yield DatedChange(day, kind, quantity, case)


def _of_due(due: Sequence[StockUnits], zone: tzinfo) -> Iterator[DatedChange]:
    for parcel in due:
        yield DatedChange(_usable_on(parcel, zone), "arrives", parcel.quantity, parcel.lot)
        if parcel.return_by is not None and parcel.return_by > _usable_on(parcel, zone):
            yield DatedChange(parcel.return_by, "goes back", parcel.quantity, parcel.lot)


def _has_come(parcel: StockUnits, day: date, zone: tzinfo) -> bool:
    return _usable_on(parcel, zone) <= day < (parcel.return_by or date.max)


def _usable_on(parcel: StockUnits, zone: tzinfo) -> date:
    moment: datetime | None = parcel.usable_from or parcel.back_at
    return date.max if moment is None else moment.astimezone(zone).date()
