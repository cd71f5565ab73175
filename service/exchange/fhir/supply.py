"""Lines of orders as SupplyRequest, and what came for them as SupplyDelivery."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime

from service.core.cover.units import StockUnits, unusable_reasons
from service.exchange.fhir.terms import (
    FhirSite,
    Json,
    coding,
    concept,
    count_of,
    identifier,
    instant,
    link,
    named,
    own_system,
    resource,
    site_identifier,
    site_system,
    without_empty,
)

_ITEM_TYPE = "http://hl7.org/fhir/supplydelivery-supplyitemtype"


@dataclass(frozen=True, slots=True)
class RequestedLine:
    """A line of an order.

    Parameters
    ----------
    key
        The keys of its order and item, as ``3-12``: a line that is taken off a draft and written
        again is the same request, and no other line is ever given its id.
    order, kind, state
        The order's reference; ``purchase``, ``loan`` or ``call_off``; and how far it is.
    supplier
        To whom it goes.
    item_id, what
        The DeviceDefinition, and its name for people.
    quantity, received, let_go
        Units asked for, come, and given up.
    made_at, due_at
        When it was written, and when it is due; ``None`` when nobody has said.
    why
        Reasons in plain words.
    """

    key: str
    order: str
    kind: str
    state: str
    supplier: str
    item_id: int
    what: str
    quantity: int
    received: int
    let_go: int
    made_at: datetime
    due_at: datetime | None
    why: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class InventoryPlace:
    """A location: its key, where it is, and whether it is a shelf, quarantine or theatre."""

    id: int
    store: str
    shelf: str
    kind: str


@dataclass(frozen=True, slots=True)
class ReceivedUnits:
    """Units that came for a line and went on a shelf.

    Parameters
    ----------
    id
        The ledger's line that put them there; it is never used again.
    request, lot_id
        The ids of the SupplyRequest and of the Device.
    what
        The item's name for people.
    supplier
        Who sent them.
    quantity
        Units, above 0.
    at
        When they were received.
    shelf
        Where they were put.
    """

    id: int
    request: str
    lot_id: int
    what: str
    supplier: str
    quantity: int
    at: datetime
    shelf: InventoryPlace | None


def request_status(state: str, *, quantity: int, received: int, let_go: int) -> str:
    """Return the status of a line by its order's state and by what came of it.

    Examples
    --------
    >>> request_status("sent", quantity=3, received=2, let_go=0)
    'active'
    >>> request_status("sent", quantity=3, received=2, let_go=1)
    'completed'
    """
    if state in {"draft", "cancelled"}:
        return state
    if state != "received" and received + let_go < quantity:
        return "active"
    return "completed" if received > 0 else "cancelled"


def supply_request(site: FhirSite, line: RequestedLine) -> Json:
    """Return a line of an order as SupplyRequest: R5 has one item in each."""
    order = site_system(site, "order")
    status = request_status(
        line.state, quantity=line.quantity, received=line.received, let_go=line.let_go
    )
    return resource(
        "SupplyRequest",
        line.key,
        # The order's reference is the same on all its lines: that is what keeps them together.
        identifier=[identifier(order, line.order)],
        status=status,
        category=concept(coding(own_system("order-kind"), line.kind)),
        item={"reference": link("DeviceDefinition", str(line.item_id), line.what)},
        quantity=count_of(line.quantity),
        occurrenceDateTime=None if line.due_at is None else instant(line.due_at),
        authoredOn=instant(line.made_at),
        requester=organization(site),
        supplier=[named("Organization", line.supplier)],
        reason=[{"concept": {"text": words}} for words in line.why if words],
        deliverTo=organization(site),
    )


def supply_delivery(site: FhirSite, arrival: ReceivedUnits) -> Json:
    """Return units that came for a line as SupplyDelivery.

    Only what stands is given: a receipt that the ledger has corrected belongs to no order any more.
    """
    device = link("Device", str(arrival.lot_id), arrival.what)
    return resource(
        "SupplyDelivery",
        str(arrival.id),
        meta={"lastUpdated": instant(arrival.at)},
        basedOn=[link("SupplyRequest", arrival.request)],
        status="completed",
        type=concept(coding(_ITEM_TYPE, "device", "Device")),
        suppliedItem=[{"quantity": count_of(arrival.quantity), "itemReference": device}],
        occurrenceDateTime=instant(arrival.at),
        supplier=named("Organization", arrival.supplier),
        destination=None if arrival.shelf is None else location(site, arrival.shelf),
    )


def organization(site: FhirSite) -> Json:
    """Refer to the site: it is no resource here, so by name and code."""
    return named("Organization", site.name, site_identifier(site))


@dataclass(frozen=True, slots=True)
class StatusUnits:
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

    shelf: InventoryPlace
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


def status_units(
    units: StockUnits, held: int, today: date, *, is_in_theatre: bool
) -> dict[str, int]:
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
        ``unsterile`` go before the rest, in this order; what remains is ``in-theatre``,
        ``reprocessing`` for a set that is away elsewhere, or ``promised`` and ``free``.

    Examples
    --------
    >>> day = date(2031, 3, 4)
    >>> status_units(StockUnits("p", "A", 3), 1, day, is_in_theatre=False)
    {'promised': 1, 'free': 2}
    >>> status_units(StockUnits("p", "A", 3, use_by=date(2031, 3, 3)), 1, day, is_in_theatre=False)
    {'expired': 3}
    """
    reasons = {reason.because for reason in unusable_reasons(units, today)}
    quantity = units.quantity
    told = next((word for because, word in _STATUSES.items() if because in reasons), None)
    if told is not None:
        return {told: quantity}
    if is_in_theatre:
        return {"in-theatre": quantity}
    if units.away_with:
        return {"reprocessing": quantity}
    return {
        word: number
        for word, number in (("promised", held), ("free", quantity - held))
        if number > 0
    }


def inventory_report(site: FhirSite, key: str, now: datetime, found: Iterable[StatusUnits]) -> Json:
    """Return a snapshot of what lies where: one listing for each location, status and count.

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
    listings: dict[tuple[int, str, datetime | None], list[StatusUnits]] = {}
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


def _listing(site: FhirSite, alike: list[StatusUnits]) -> Json:
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


def location(site: FhirSite, shelf: InventoryPlace) -> Json:
    """Refer to a location: it is no resource here, so by name and by the key the site gives it."""
    known = identifier(site_system(site, "location"), str(shelf.id))
    return named("Location", f"{shelf.store}, {shelf.shelf}", known)
