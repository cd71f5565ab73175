"""What lies where at a site, as an InventoryReport."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime

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


def standings(  # noqa: PLR0917 - the facts one balance is judged by
    quantity: int,
    held: int,
    place: str,
    use_by: date | None,
    return_by: date | None,
    sterility: str,
    *,
    is_recalled: bool,
    today: date,
) -> dict[str, int]:
    """Say how the units of one balance stand, so that nothing unusable is read as free.

    Parameters
    ----------
    quantity, held
        Units there, and those of them that are promised to cases.
    place
        ``shelf``, ``quarantine`` or ``theatre``.
    use_by, return_by
        The last day of use, and the day a loan is due back; ``None`` when there is none.
    sterility
        ``sterile`` or ``unsterile``.

    Returns
    -------
    dict
        Units by status. ``quarantine``, ``recalled``, ``expired``, ``return-due`` and
        ``unsterile`` go before the rest, in this order; what remains is ``in-theatre``, or
        ``promised`` and ``free``.

    Examples
    --------
    >>> day = date(2031, 3, 4)
    >>> standings(3, 1, "shelf", None, None, "sterile", is_recalled=False, today=day)
    {'promised': 1, 'free': 2}
    >>> standings(3, 1, "shelf", date(2031, 3, 3), None, "sterile", is_recalled=False, today=day)
    {'expired': 3}
    """
    unusable = (
        ("quarantine", place == "quarantine"),
        ("recalled", is_recalled),
        ("expired", use_by is not None and use_by < today),
        ("return-due", return_by is not None and return_by <= today),
        ("unsterile", sterility == "unsterile"),
        ("in-theatre", place == "theatre"),
    )
    status = next((word for word, holds in unusable if holds), None)
    if status is not None:
        return {status: quantity}
    return {
        word: units for word, units in (("promised", held), ("free", quantity - held)) if units > 0
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
