"""Lines of orders as SupplyRequest, and what came for them as SupplyDelivery."""

from dataclasses import dataclass
from datetime import datetime

from service.exchange.fhir.inventory import Shelf, location
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
    site_identifier,
    site_system,
)

__all__ = [
    "Arrival",
    "Request",
    "organization",
    "request_status",
    "supply_delivery",
    "supply_request",
]

_ITEM_TYPE = "http://hl7.org/fhir/supplydelivery-supplyitemtype"


@dataclass(frozen=True, slots=True)
class Request:
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
class Arrival:
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
    shelf: Shelf | None


def request_status(state: str, *, quantity: int, received: int, let_go: int) -> str:
    """Give the status of a line by its order's state and by what came of it.

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


def supply_request(site: SiteName, line: Request) -> Json:
    """Give a line of an order as SupplyRequest: R5 has one item in each."""
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


def supply_delivery(site: SiteName, arrival: Arrival) -> Json:
    """Give units that came for a line as SupplyDelivery.

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


def organization(site: SiteName) -> Json:
    """Refer to the site: it is no resource here, so by name and code."""
    return named("Organization", site.name, site_identifier(site))
