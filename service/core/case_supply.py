"""What there is, and when it counts, in the form the readiness problem takes."""

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime, time, timedelta, tzinfo

from service.core.gaps import Parcel
from service.core.item_classes import ItemClasses

__all__ = ["set_lines", "stock_lines"]


def stock_lines(
    parcels: Iterable[Parcel],
    turnarounds: Mapping[str, int],
    classes: ItemClasses,
    zone: tzinfo,
) -> list[dict[str, object]]:
    """Write parcels as dated stock, alike ones together.

    Parameters
    ----------
    parcels
        What may be counted.
    turnarounds
        Minutes of each instrument set, by reference: sets are no stock.
    classes
        Which references stand for each other.
    zone
        The site's zone, in which a use-by date ends.

    Returns
    -------
    list of dict
        ``item``, ``quantity`` and, where they bound it, ``from`` and ``until``.

    Examples
    --------
    >>> from datetime import date
    >>> classes = ItemClasses([("A",)], [])
    >>> stock_lines([Parcel("p", "A", 2, use_by=date(2031, 3, 8))], {}, classes, UTC)
    [{'item': 'A', 'quantity': 2, 'until': '2031-03-09T00:00:00+00:00'}]
    """
    amounts: dict[tuple[str, str | None, str | None], int] = {}
    for parcel in parcels:
        name = classes.class_of(parcel.ref)
        if name is None or parcel.ref in turnarounds or parcel.quantity <= 0:
            continue
        usable = None if parcel.usable_from is None else parcel.usable_from.astimezone(UTC)
        key = (name, None if usable is None else usable.isoformat(), _until(parcel, zone))
        amounts[key] = amounts.get(key, 0) + parcel.quantity
    written = []
    for (name, since, until), quantity in sorted(amounts.items(), key=lambda pair: str(pair[0])):
        line: dict[str, object] = {"item": name, "quantity": quantity}
        line |= {"from": since} if since is not None else {}
        line |= {"until": until} if until is not None else {}
        written.append(line)
    return written


def _until(parcel: Parcel, zone: tzinfo) -> str | None:
    """Say when a parcel stops counting: after its last day of use, or when a loan goes back."""
    days = [parcel.return_by] if parcel.return_by is not None else []
    if parcel.use_by is not None:
        days.append(parcel.use_by + timedelta(days=1))
    if not days:
        return None
    return datetime.combine(min(days), time(), tzinfo=zone).astimezone(UTC).isoformat()


def set_lines(
    parcels: Iterable[Parcel], turnarounds: Mapping[str, int], classes: ItemClasses
) -> list[dict[str, object]]:
    """Write the copies of instrument sets that are here, with the longest turnaround of each.

    Parameters
    ----------
    parcels
        What may be counted.
    turnarounds
        Minutes a set is away after a case, by reference.
    classes
        Which references stand for each other.

    Returns
    -------
    list of dict
        ``item``, ``quantity`` and ``turnaround_minutes``.

    Examples
    --------
    >>> set_lines([Parcel("p", "S", 1)], {"S": 240}, ItemClasses([("S",)], []))
    [{'item': 'S', 'quantity': 1, 'turnaround_minutes': 240}]
    """
    copies: dict[str, int] = {}
    away: dict[str, int] = {}
    for parcel in parcels:
        name = classes.class_of(parcel.ref)
        if name is None or parcel.ref not in turnarounds or parcel.usable_from is not None:
            continue
        copies[name] = copies.get(name, 0) + parcel.quantity
        away[name] = max(away.get(name, 0), turnarounds[parcel.ref])
    return [
        {"item": name, "quantity": copies[name], "turnaround_minutes": away[name]}
        for name in sorted(copies)
    ]
