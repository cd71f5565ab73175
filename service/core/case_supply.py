"""What there is, and when it counts, in the form the readiness problem takes."""

from collections.abc import Iterable, Mapping
from datetime import UTC, date, datetime, time, tzinfo

from service.core.item_classes import ItemClasses
from service.core.readiness.problem import MAX_QUANTITY
from service.core.units import StockUnits, gone_on

__all__ = ["set_lines", "stock_lines"]


def stock_lines(
    parcels: Iterable[StockUnits],
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
        ``item``, ``quantity`` and, where they bound it, ``from`` and ``until``. No more of an item
        is written than a problem may have: cases cannot use up so many.

    Examples
    --------
    >>> from datetime import date
    >>> classes = ItemClasses([("A",)], [])
    >>> stock_lines([StockUnits("p", "A", 2, use_by=date(2031, 3, 8))], {}, classes, UTC)
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
        line: dict[str, object] = {"item": name, "quantity": min(quantity, MAX_QUANTITY)}
        line |= {"from": since} if since is not None else {}
        line |= {"until": until} if until is not None else {}
        written.append(line)
    return written


def _until(parcel: StockUnits, zone: tzinfo) -> str | None:
    """Say when a parcel stops counting, as the midnight at the site that ends its last day."""
    day = gone_on(parcel.use_by, parcel.return_by)
    if day is None:
        return None
    return datetime.combine(day, time(), tzinfo=zone).astimezone(UTC).isoformat()


def set_lines(
    parcels: Iterable[StockUnits],
    turnarounds: Mapping[str, int],
    classes: ItemClasses,
    last: date,
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
    last
        The day of the last case, local to the site: copies that are gone by then do not count.

    Returns
    -------
    list of dict
        ``item``, ``quantity`` and ``turnaround_minutes``.

    Examples
    --------
    >>> day = date(2031, 3, 4)
    >>> set_lines([StockUnits("p", "S", 1)], {"S": 240}, ItemClasses([("S",)], []), day)
    [{'item': 'S', 'quantity': 1, 'turnaround_minutes': 240}]
    """
    copies: dict[str, int] = {}
    away: dict[str, int] = {}
    for parcel in parcels:
        name = classes.class_of(parcel.ref)
        if name is None or parcel.ref not in turnarounds or not parcel.is_here:
            continue
        gone = gone_on(parcel.use_by, parcel.return_by)
        if gone is not None and gone <= last:
            continue
        copies[name] = copies.get(name, 0) + parcel.quantity
        away[name] = max(away.get(name, 0), turnarounds[parcel.ref])
    return [
        {"item": name, "quantity": copies[name], "turnaround_minutes": away[name]}
        for name in sorted(copies)
    ]
