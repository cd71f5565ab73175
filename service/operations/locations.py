"""Locations: shelves, quarantine and theatre places, and the ledger line from one to another."""

from itertools import count
from typing import Any

from service.errors import BadInput, Duplicate, FieldFault
from service.operations.people.permissions import require_effect
from service.operations.planner import planner_of
from service.operations.work import Unit
from service.schemas.stock import LocationBody, LocationOut
from service.storage.queries import stock
from service.storage.tables import Item, Location

#: The store that the place of what is in transit stands under.
IN_TRANSIT = "In transit"

#: Store and shelf of the place where sets are reprocessed, where the site has named none itself.
STERILE_SERVICES = ("Sterile services", "Reprocessing")


def list_locations(unit: Unit) -> list[LocationOut]:
    """Return every location of the site, by store and shelf."""
    return [LocationOut.model_validate(row) for row in stock.locations(unit.session, unit.site_id)]


def places_to_go(unit: Unit) -> list[LocationOut]:
    """Return where units can be moved or released to: also sterile services not yet made."""
    known = [one for one in list_locations(unit) if one.kind not in {"theatre", "transit"}]
    if any(one.kind == "reprocessing" for one in known):
        return known
    store, shelf = STERILE_SERVICES
    return [*known, LocationOut(store=store, shelf=shelf, kind="reprocessing")]


def add_location(unit: Unit, body: LocationBody) -> LocationOut:
    """Add a shelf, quarantine place or theatre; store and shelf together are used once."""
    if stock.find_location(unit.session, unit.site_id, body.store, body.shelf) is not None:
        raise Duplicate(f"Shelf {body.shelf} already exists in {body.store}.")
    row = Location(site_id=unit.site_id, **body.model_dump())
    unit.session.add(row)
    unit.session.flush()
    return LocationOut.model_validate(row)


def find_place(unit: Unit, body: LocationBody, pointer: str) -> Location:
    """Find a place of the site, or say which field names none.

    Nobody has to add where sets are reprocessed: it is made when something first goes there.
    """
    named = (body.store, body.shelf)
    row = planner_of(unit).find_location(*named)
    if row is None and named == STERILE_SERVICES:
        place = reprocessing_place(unit)
        row = place if (place.store, place.shelf) == named else None
    if row is None:
        reason = f"{body.store} has no shelf {body.shelf}; add the shelf first"
        raise BadInput("Nothing was saved.", faults=[FieldFault(pointer, reason)])
    return row


def find_shelf(unit: Unit, body: LocationBody, pointer: str) -> Location:
    """Find a shelf of the site, or say which field names none or another kind of place."""
    return require_shelf(find_place(unit, body, pointer), pointer)


def require_shelf(place: Location, pointer: str) -> Location:
    """Refuse a place that is no shelf."""
    if place.kind != "shelf":
        reason = f"{place.store}, {place.shelf} is not a shelf"
        raise BadInput("Nothing was saved.", faults=[FieldFault(pointer, reason)])
    return place


def item_key(item: Item) -> int:
    """Return the key of a stored item."""
    if item.id is None:
        message = "an item read from the database has its id"
        raise RuntimeError(message)
    return item.id


def quarantine_place(unit: Unit) -> Location:
    """Return the site's quarantine, made if there is none."""
    for row in stock.locations(unit.session, unit.site_id):
        if row.kind == "quarantine":
            return row
    row = Location(site_id=unit.site_id, store="Quarantine", shelf="Q-1", kind="quarantine")
    unit.session.add(row)
    unit.session.flush()
    return row


def reprocessing_place(unit: Unit) -> Location:
    """Return where the site's opened sets are until they are sterile again, made if there is none.

    Only what is sent there from a case comes to it, and only a scan out of sterilisation takes it
    away.
    """
    for row in stock.locations(unit.session, unit.site_id):
        if row.kind == "reprocessing":
            return row
    store, shelf = STERILE_SERVICES
    row = Location(site_id=unit.site_id, store=store, shelf=shelf, kind="reprocessing")
    unit.session.add(row)
    unit.session.flush()
    return row


def transit_place(unit: Unit, site_id: int) -> Location:
    """Return where lies what other sites have sent to a site, made if there is none.

    Only agreeing to a transfer brings units there, and only receiving them or writing them off
    takes them away.
    """
    known = stock.locations(unit.session, site_id)
    for row in known:
        if row.kind == "transit":
            return row
    taken = {row.shelf for row in known if row.store == IN_TRANSIT}
    names = (f"From other sites {number}".removesuffix(" 1") for number in count(1))
    shelf = next(name for name in names if name not in taken)
    row = Location(site_id=site_id, store=IN_TRANSIT, shelf=shelf, kind="transit")
    unit.session.add(row)
    unit.session.flush()
    return row


def ledger_line(
    unit: Unit,
    kind: str,
    lot_id: int | None,
    quantity: int,
    *,
    origin: int | None,
    target: int | None,
    reason: str,
    case_id: int | None = None,
    corrects_seq: int | None = None,
    transfer_id: int | None = None,
) -> dict[str, Any]:
    """Return the columns of a movement that is made now; ends are keys of locations.

    Raises
    ------
    ClockBehind
        When the clock is behind the newest line: lines would stand in another order than they say.
    Forbidden
        When the caller may not do to units what the line does.
    """
    planner_of(unit).refuse_late_clock()
    ends = (origin, target)
    kinds = [None if key is None else unit.session.get_one(Location, key).kind for key in ends]
    require_effect(unit.caller, *kinds, for_case=case_id is not None)
    return {
        "at": unit.now,
        "kind": kind,
        "lot_id": lot_id,
        "from_location_id": origin,
        "to_location_id": target,
        "quantity": quantity,
        "case_id": case_id,
        "reason": reason,
        "actor": unit.actor,
        "corrects_seq": corrects_seq,
        "transfer_id": transfer_id,
    }
