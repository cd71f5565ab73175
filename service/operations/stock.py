"""Stock: what lies where, and the movements that change it."""

from typing import Any

from sqlalchemy import Row

from service.errors import BadInput, Conflict, Duplicate, FieldFault
from service.operations.catalogue import the_item
from service.operations.schemas.stock import (
    CountBody,
    DeliveryBody,
    DeliveryList,
    DeliveryOut,
    LocationBody,
    LocationOut,
    MoveBody,
    MovementOut,
    ReceiveBody,
    StockOut,
    StockPage,
)
from service.operations.unit import Unit
from service.storage.queries import stock
from service.storage.tables import Balance, Delivery, Item, Location, Lot

__all__ = [
    "add_delivery",
    "add_location",
    "list_deliveries",
    "list_locations",
    "list_stock",
    "record",
    "stock_words",
]


def list_stock(
    unit: Unit,
    *,
    ref: str | None = None,
    kind: str | None = None,
    system: str | None = None,
    store: str | None = None,
    after: str = "",
    limit: int,
) -> StockPage:
    """Give what lies where, by reference and lot, some at a time."""
    given = {"ref": ref, "kind": kind, "system": system, "store": store}
    rows = stock.stock_rows(
        unit.session,
        site_id=unit.site_id,
        filters={name: value for name, value in given.items() if value is not None},
        after=_read_cursor(after) if after else None,
        limit=limit + 1,
    )
    page = rows[:limit]
    more = _write_cursor(page[-1]) if len(rows) > limit else None
    return StockPage(stock=[_stock_out(row) for row in page], next_after=more)


def _write_cursor(row: Row[Any]) -> str:
    return f"{row.lot_id}.{row.location_id}.{row.ref}"


def _read_cursor(text: str) -> tuple[str, int, int]:
    lot, _, rest = text.partition(".")
    place, _, ref = rest.partition(".")
    if not (lot.isascii() and lot.isdigit() and place.isascii() and place.isdigit() and ref):
        reason = "this is not where a page of ours ended; start again without it"
        raise BadInput("The page cannot be found.", faults=[FieldFault("/after", reason)])
    return ref, int(lot[:18]), int(place[:18])


def _stock_out(row: Row[Any]) -> StockOut:
    facts = row._asdict()
    return StockOut.model_validate({**facts, "lot": facts["lot_number"]})


def stock_words(unit: Unit) -> dict[str, list[str]]:
    """Give the systems and stores there are, for choosing from."""
    return {
        "systems": stock.systems(unit.session),
        "stores": stock.stores(unit.session, unit.site_id),
    }


def list_locations(unit: Unit) -> list[LocationOut]:
    """Give every location of the site, by store and shelf."""
    return [LocationOut.model_validate(row) for row in stock.locations(unit.session, unit.site_id)]


def add_location(unit: Unit, body: LocationBody) -> LocationOut:
    """Add a shelf, quarantine place or theatre; store and shelf together are used once."""
    if stock.find_location(unit.session, unit.site_id, body.store, body.shelf) is not None:
        raise Duplicate(f"There is a shelf {body.shelf} in {body.store} already.")
    row = Location(site_id=unit.site_id, **body.model_dump())
    unit.session.add(row)
    unit.session.flush()
    return LocationOut.model_validate(row)


def record(unit: Unit, body: ReceiveBody | MoveBody | CountBody) -> MovementOut:
    """Write one movement to the ledger and bring the balance along."""
    item = the_item(unit, body.ref, "/ref")
    if isinstance(body, ReceiveBody):
        return _receive(unit, item, body)
    lot = stock.find_lot(
        unit.session, _key(item), body.lot or "", body.serial or "", body.ownership
    )
    if lot is None:
        reason = f"there is no such lot of {body.ref} here ({body.ownership})"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/lot", reason)])
    if isinstance(body, MoveBody):
        return _move(unit, item, lot, body)
    return _count(unit, item, lot, body)


def _receive(unit: Unit, item: Item, body: ReceiveBody) -> MovementOut:
    if body.use_by is not None and body.use_by < unit.today:
        reason = f"{body.use_by} is in the past: an expired pack is not received into stock"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/use_by", reason)])
    place = _place(unit, body.to, "/to")
    lot = _same_lot(unit, item, body)
    return _post(unit, item, lot, "receive", body.quantity, to=place)


def _same_lot(unit: Unit, item: Item, body: ReceiveBody) -> Lot:
    """Find the lot, or start it; a lot cannot have two use-by dates."""
    key = (_key(item), body.lot or "", body.serial or "", body.ownership)
    lot = stock.find_lot(unit.session, *key)
    sterility = body.sterility or ("sterile" if item.supplied_sterile else "unsterile")
    if lot is None:
        lot = Lot(
            item_id=key[0],
            lot_number=key[1],
            serial=key[2],
            ownership=key[3],
            use_by=body.use_by,
            return_by=body.return_by,
            sterility=sterility,
        )
        unit.session.add(lot)
        unit.session.flush()
        return lot
    for name, theirs, ours in (
        ("use_by", lot.use_by, body.use_by),
        ("return_by", lot.return_by, body.return_by),
        ("sterility", lot.sterility, sterility),
    ):
        if theirs != ours:
            reason = f"this lot is on record with {name} {theirs}; check the label"
            raise BadInput("Nothing was saved.", faults=[FieldFault(f"/{name}", reason)])
    return lot


def _move(unit: Unit, item: Item, lot: Lot, body: MoveBody) -> MovementOut:
    origin = _place(unit, body.origin, "/origin")
    target = _place(unit, body.to, "/to")
    if origin.id == target.id:
        reason = "the units are there already"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/to", reason)])
    _require_free(unit, lot, origin, body)
    return _post(
        unit, item, lot, "move", body.quantity, origin=origin, to=target, reason=body.reason or ""
    )


def _require_free(unit: Unit, lot: Lot, origin: Location, body: MoveBody) -> None:
    balance = unit.session.get(Balance, (lot.id, origin.id))
    there = balance.quantity if balance else 0
    held = balance.held if balance else 0
    if there - held < body.quantity:
        raise Conflict(
            f"{origin.store}, {origin.shelf} has {there} of this lot, {held} of them promised; "
            f"{body.quantity} cannot be moved.",
            faults=[FieldFault("/quantity", f"at most {there - held} can be moved")],
        )


def _count(unit: Unit, item: Item, lot: Lot, body: CountBody) -> MovementOut:
    place = _place(unit, body.at, "/at")
    balance = unit.session.get(Balance, (lot.id, place.id))
    there = balance.quantity if balance else 0
    held = balance.held if balance else 0
    if body.counted < held:
        raise Conflict(
            f"{held} of this lot are promised to cases from this shelf; {body.counted} counted. "
            "Release them first.",
            faults=[FieldFault("/counted", f"{held} are promised from here")],
        )
    difference = body.counted - there
    if difference > 0:
        return _post(unit, item, lot, "count", difference, to=place, reason=body.reason)
    if difference < 0:
        return _post(unit, item, lot, "count", -difference, origin=place, reason=body.reason)
    return _movement_out(unit, item, lot, seq=None, kind="count", quantity=0)


def _post(
    unit: Unit,
    item: Item,
    lot: Lot,
    kind: str,
    quantity: int,
    *,
    origin: Location | None = None,
    to: Location | None = None,
    reason: str = "",
) -> MovementOut:
    stock.post(
        unit.session,
        [
            {
                "at": unit.now,
                "kind": kind,
                "lot_id": lot.id,
                "from_location_id": origin.id if origin else None,
                "to_location_id": to.id if to else None,
                "quantity": quantity,
                "reason": reason,
                "actor": unit.actor,
            }
        ],
    )
    return _movement_out(
        unit, item, lot, seq=stock.last_seq(unit.session), kind=kind, quantity=quantity
    )


def _movement_out(
    unit: Unit, item: Item, lot: Lot, *, seq: int | None, kind: str, quantity: int
) -> MovementOut:
    return MovementOut(
        seq=seq,
        kind=kind,
        ref=item.ref,
        lot=lot.lot_number,
        serial=lot.serial,
        quantity=quantity,
        actor=unit.actor,
        at=unit.local(unit.now),
    )


def _place(unit: Unit, body: LocationBody, pointer: str) -> Location:
    row = stock.find_location(unit.session, unit.site_id, body.store, body.shelf)
    if row is None:
        reason = f"there is no shelf {body.shelf} in {body.store}; add the location first"
        raise BadInput("Nothing was saved.", faults=[FieldFault(pointer, reason)])
    return row


def _key(item: Item) -> int:
    if item.id is None:
        message = "an item read from the database has its id"
        raise RuntimeError(message)
    return item.id


def add_delivery(unit: Unit, body: DeliveryBody) -> DeliveryOut:
    """Note what is on its way; a loan is unsterile until it has been reprocessed here."""
    item = the_item(unit, body.ref, "/ref")
    due_at = unit.moment(body.due_at)
    usable_from = unit.moment(body.usable_from) if body.usable_from else due_at
    if usable_from < due_at:
        reason = "it cannot be used before it is due"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/usable_from", reason)])
    known = stock.find_delivery(unit.session, unit.site_id, body.reference, _key(item))
    if known is not None:
        raise Duplicate(f"Delivery {body.reference} has {body.ref} already.")
    row = Delivery(
        site_id=unit.site_id,
        reference=body.reference,
        item_id=_key(item),
        quantity=body.quantity,
        ownership=body.ownership,
        due_at=due_at,
        usable_from=usable_from,
        return_by=body.return_by,
        supplier=body.supplier or item.supplier,
    )
    unit.session.add(row)
    unit.session.flush()
    return _delivery_out(
        unit, {**row.model_dump(), "ref": item.ref, "description": item.description}
    )


def list_deliveries(unit: Unit) -> DeliveryList:
    """Give everything on its way, the earliest first."""
    rows = stock.deliveries_due(unit.session, unit.site_id)
    return DeliveryList(deliveries=[_delivery_out(unit, row._asdict()) for row in rows])


def _delivery_out(unit: Unit, facts: dict[str, Any]) -> DeliveryOut:
    for name in ("due_at", "usable_from"):
        facts[name] = unit.local(facts[name])
    return DeliveryOut.model_validate(facts)
