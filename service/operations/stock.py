"""Stock: what lies where, and the movements that change it."""

from typing import Any

from sqlalchemy import Row

from service.core.items import describe_size
from service.errors import BadInput, Duplicate, FieldFault
from service.operations.lots import use_by_fault
from service.operations.planner import planner_of
from service.operations.recalls import active_recall
from service.operations.schemas.stock import (
    DeliveryList,
    DeliveryOut,
    LocationBody,
    LocationOut,
    MovementOut,
    ReceiveBody,
    StockOut,
    StockPage,
)
from service.operations.unit import Unit
from service.storage.queries import catalogue, stock
from service.storage.tables import Item, Location, Lot

__all__ = [
    "add_location",
    "delivery_out",
    "list_deliveries",
    "list_locations",
    "list_stock",
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
    facts = catalogue.facts_of(unit.session, {row.ref for row in page})
    return StockPage(
        stock=[_stock_out(row, describe_size(facts[row.ref])) for row in page], next_after=more
    )


#: The largest key a row can have on both databases.
_MOST_KEY = 2**31 - 1


def _write_cursor(row: Row[Any]) -> str:
    return f"{row.lot_id}.{row.location_id}.{row.ref}"


def _read_cursor(text: str) -> tuple[str, int, int]:
    lot, _, rest = text.partition(".")
    place, _, ref = rest.partition(".")
    if not (lot.isascii() and lot.isdigit() and place.isascii() and place.isdigit() and ref):
        reason = "this is not where a page of ours ended; start again without it"
        raise BadInput("The page cannot be found.", faults=[FieldFault("/after", reason)])
    # PostgreSQL takes no larger number for a key; beyond it there are no rows either way.
    return ref, min(int(lot[:18]), _MOST_KEY), min(int(place[:18]), _MOST_KEY)


def _stock_out(row: Row[Any], size: str) -> StockOut:
    facts = row._asdict()
    return StockOut.model_validate({**facts, "lot": facts["lot_number"], "size": size})


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


def receive(unit: Unit, item: Item, body: ReceiveBody, *, reason: str = "") -> MovementOut:
    if body.use_by is not None and body.use_by < unit.today:
        reason = f"{body.use_by} is in the past: an expired pack is not received into stock"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/use_by", reason)])
    place = find_place(unit, body.to, "/to")
    sterility = body.sterility or ("sterile" if item.supplied_sterile else "unsterile")
    missing = use_by_fault(
        supplied_sterile=item.supplied_sterile,
        reusable=item.reusable,
        sterility=sterility,
        use_by=body.use_by,
    )
    if missing is not None:
        raise BadInput("Nothing was saved.", faults=[FieldFault("/use_by", missing)])
    notice = active_recall(unit, item_key(item), item.supplier, body.lot or "", body.serial or "")
    if notice is not None and place.kind != "quarantine":
        reason = f"recalled by notice {notice.notice}; put it in quarantine and receive it there"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/lot", reason)])
    lot = _same_lot(unit, item, body, sterility)
    kind = "loan_in" if body.ownership == "loan" else "receive"
    line = {"kind": kind, "quantity": body.quantity, "reason": reason}
    return _post(unit, item, lot, line, to=place)


def _same_lot(unit: Unit, item: Item, body: ReceiveBody, sterility: str) -> Lot:
    """Find the lot, or start it; a lot cannot have two use-by dates."""
    key = (item_key(item), body.lot or "", body.serial or "", body.ownership)
    lot = stock.find_lot(unit.session, *key)
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


def _post(unit: Unit, item: Item, lot: Lot, line: dict[str, Any], *, to: Location) -> MovementOut:
    columns = {
        "at": unit.now,
        "lot_id": lot.id,
        "from_location_id": None,
        "to_location_id": to.id,
        "actor": unit.actor,
    }
    stock.post(unit.session, [{**columns, **line}])
    return movement_out(
        unit,
        item,
        lot,
        seq=stock.last_seq(unit.session),
        kind=line["kind"],
        quantity=line["quantity"],
    )


def movement_out(
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


def find_place(unit: Unit, body: LocationBody, pointer: str) -> Location:
    row = stock.find_location(unit.session, unit.site_id, body.store, body.shelf)
    if row is None:
        reason = f"there is no shelf {body.shelf} in {body.store}; add the location first"
        raise BadInput("Nothing was saved.", faults=[FieldFault(pointer, reason)])
    return row


def item_key(item: Item) -> int:
    if item.id is None:
        message = "an item read from the database has its id"
        raise RuntimeError(message)
    return item.id


def list_deliveries(unit: Unit) -> DeliveryList:
    """Give everything on its way, the earliest first: what is outstanding on sent orders."""
    rows = planner_of(unit).deliveries
    return DeliveryList(deliveries=[delivery_out(unit, row._asdict()) for row in rows])


def delivery_out(unit: Unit, facts: dict[str, Any]) -> DeliveryOut:
    """Give units on their way with their moments on the site's clock."""
    for name in ("due_at", "usable_from"):
        facts[name] = unit.local(facts[name])
    return DeliveryOut.model_validate(facts)
