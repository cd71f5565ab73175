"""Transfers between sites: one asks, the other agrees, and only then anything moves."""

from service.errors import BadInput, Conflict, FieldFault, NotFound
from service.operations.catalogue import the_item
from service.operations.copies import copies_short
from service.operations.ledger import taken
from service.operations.recalls import blocked_lots
from service.operations.schemas.transfers import AnswerBody, AskBody, TransferOut, Transfers
from service.operations.stock import find_place, item_key
from service.operations.unit import Unit
from service.storage.queries import stock, transfers
from service.storage.tables import Item, Location, Site, Transfer

__all__ = ["answer", "ask", "list_transfers"]


def list_transfers(unit: Unit) -> Transfers:
    """Give every transfer that the site asks for or is asked for, the newest first."""
    rows = transfers.of_site(unit.session, unit.site_id)
    return Transfers(transfers=[_out(unit, row) for row in rows])


def ask(unit: Unit, body: AskBody) -> TransferOut:
    """Ask another site for units; nothing of its stock is seen or taken by asking."""
    item = the_item(unit, body.ref, "/ref")
    place = find_place(unit, body.to, "/to")
    if place.kind != "shelf":
        reason = f"{place.store}, {place.shelf} is no shelf"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/to", reason)])
    other = transfers.site_of_code(unit.session, body.site)
    if other is None or other.id == unit.site_id:
        reason = f"'{body.site}' is no other site's code"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/site", reason)])
    row = Transfer(
        from_site_id=other.id or 0,
        to_site_id=unit.site_id,
        item_id=item_key(item),
        quantity=body.quantity,
        to_location_id=place.id or 0,
        asked_at=unit.now,
        asked_by=unit.actor,
    )
    unit.session.add(row)
    unit.session.flush()
    return _out(unit, row)


def answer(unit: Unit, key: int, body: AnswerBody) -> TransferOut:
    """Agree to a transfer, and say which units go, or refuse it."""
    row = unit.session.get(Transfer, key)
    if row is None or row.from_site_id != unit.site_id:
        raise NotFound(f"Nobody asks this site for transfer {key}.")
    if row.state != "asked":
        raise Conflict(f"Transfer {key} has been {row.state} already.")
    row.state = "agreed" if body.agreed else "refused"
    row.answered_at, row.answered_by = unit.now, unit.actor
    if body.agreed:
        _send(unit, row, body)
    unit.session.flush()
    return _out(unit, row)


def _send(unit: Unit, row: Transfer, body: AnswerBody) -> None:
    if body.origin is None or (body.lot is None and body.serial is None):
        reason = "say which lot goes, and from which shelf"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/lot", reason)])
    origin = find_place(unit, body.origin, "/origin")
    lot = stock.find_lot(
        unit.session, row.item_id, body.lot or "", body.serial or "", body.ownership
    )
    free = stock.free_at(unit.session, lot.id or 0, origin.id or 0) if lot else 0
    if lot is None or origin.kind != "shelf" or free < row.quantity:
        reason = f"{origin.store}, {origin.shelf} has {free} of this lot that are not promised"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/lot", reason)])
    if lot.id in blocked_lots(unit):
        reason = "a recall names these units; they stay where they are"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/lot", reason)])
    # Copies of a set are promised for a span of time and not in the balance.
    if copies_short(unit, lot.id or 0, origin.id or 0, copies=free - row.quantity):
        raise taken(unit, lot, origin)
    line = {
        "at": unit.now,
        "kind": "move",
        "lot_id": lot.id,
        "from_location_id": origin.id,
        "to_location_id": row.to_location_id,
        "quantity": row.quantity,
        "reason": f"transfer {row.id}",
        "actor": unit.actor,
    }
    stock.post(unit.session, [line])


def _out(unit: Unit, row: Transfer) -> TransferOut:
    giving = unit.session.get_one(Site, row.from_site_id)
    taking = unit.session.get_one(Site, row.to_site_id)
    place = unit.session.get_one(Location, row.to_location_id)
    return TransferOut(
        id=row.id or 0,
        from_site=giving.code,
        to_site=taking.code,
        ref=unit.session.get_one(Item, row.item_id).ref,
        quantity=row.quantity,
        to_store=place.store,
        to_shelf=place.shelf,
        state=row.state,
        asked_at=unit.local(row.asked_at),
        asked_by=row.asked_by,
        answered_by=row.answered_by,
    )
