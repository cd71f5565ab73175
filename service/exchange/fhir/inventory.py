"""What lies where at a site, as an InventoryReport."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime

from service.core.units import StockUnits, unusable_reasons
from service.exchange.fhir.terms import (
    Json,
    SiteName,
    coding,
    concept,
    count_of,
    identifier,
    instant,
    link,
    named,
    own_system,
    resource,
    site_system,
    without_empty,
)

__all__ = ["Shelf", "Standing", "inventory_report", "location", "standings"]


@dataclass(frozen=True, slots=True)
class Shelf:
    """A location: its key, where it is, and whether it is a shelf, quarantine or theatre."""

    id: int
    store: str
    shelf: str
    kind: str


@dataclass(frozen=True, slots=True)
class Standing:
    """Units of a lot at a location that stand alike.

    Parameters
    ----------
    shelf
        Where they are.
    status
        One of the words ``standings`` gives.
    counted_at
        The last moment a count of them was written to the ledger; ``None`` when never.
    lot_id
        The Device they are.
    what
        REF and size, for people.
    units
        How many, above 0.
    """

    shelf: Shelf
    status: str
    counted_at: datetime | None
    lot_id: int
    what: str
    units: int


#: The word for units that count for no case, by what stands in their way, in the order told.
_STATUSES = {
    "quarantined": "quarantine",
    "recalled": "recalled",
    "expires": "expired",
    "return_due": "return-due",
    "unsterile": "unsterile",
    "promised": "in-theatre",
}


def standings(units: StockUnits, held: int, today: date, *, is_in_theatre: bool) -> dict[str, int]:
    """Say how the units of one balance stand, so that nothing unusable is read as free.

    Parameters
    ----------
    units
        What lies there.
    held
        How many of them are promised to cases.
    today
        The date at the site.
    is_in_theatre
        Whether they lie in a theatre, where a set that comes back lies, too.

    Returns
    -------
    dict
        Units by status. ``quarantine``, ``recalled``, ``expired``, ``return-due`` and
        ``unsterile`` go before the rest, in this order; what remains is ``in-theatre``, or
        ``promised`` and ``free``.

    Examples
    --------
    >>> day = date(2031, 3, 4)
    >>> standings(StockUnits("p", "A", 3), 1, day, is_in_theatre=False)
    {'promised': 1, 'free': 2}
    >>> standings(StockUnits("p", "A", 3, use_by=date(2031, 3, 3)), 1, day, is_in_theatre=False)
    {'expired': 3}
    """
    reasons = {reason.because for reason in unusable_reasons(units, today)}
    quantity = units.quantity
    if reasons:
        return {next(word for because, word in _STATUSES.items() if because in reasons): quantity}
    if is_in_theatre:
        return {"in-theatre": quantity}
    return {
        word: number
        for word, number in (("promised", held), ("free", quantity - held))
        if number > 0
    }


def inventory_report(site: SiteName, key: str, now: datetime, found: Iterable[Standing]) -> Json:
    """Give a snapshot of what lies where: one listing for each location, status and count.

    Parameters
    ----------
    key
        The id of the report: it is one and the same report, read again at another moment.
    now
        The moment of the snapshot.
    found
        What lies there, in the order it is to be listed.

    Notes
    -----
    ``operationType`` belongs to reports of differences and stays absent. ``countingDateTime`` is
    the last count that the ledger has; a count that found no difference is not in it.
    """
    listings: dict[tuple[int, str, datetime | None], list[Standing]] = {}
    for one in found:
        listings.setdefault((one.shelf.id, one.status, one.counted_at), []).append(one)
    return resource(
        "InventoryReport",
        key,
        status="active",
        countType="snapshot",
        reportedDateTime=instant(now),
        inventoryListing=[_listing(site, alike) for alike in listings.values()],
    )


def _listing(site: SiteName, alike: list[Standing]) -> Json:
    first = alike[0]
    counted_at = first.counted_at
    items = [
        {
            "quantity": count_of(one.units),
            "item": {"reference": link("Device", str(one.lot_id), one.what)},
        }
        for one in alike
    ]
    return without_empty(
        {
            "location": location(site, first.shelf),
            "itemStatus": concept(coding(own_system("stock-status"), first.status)),
            "countingDateTime": None if counted_at is None else instant(counted_at),
            "item": items,
        }
    )


def location(site: SiteName, shelf: Shelf) -> Json:
    """Refer to a location: it is no resource here, so by name and by the key the site gives it."""
    known = identifier(site_system(site, "location"), str(shelf.id))
    return named("Location", f"{shelf.store}, {shelf.shelf}", known)
