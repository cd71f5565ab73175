"""Movements of every kind; a correction is a new line that names the one it takes back."""

from typing import Any

from service.errors import BadInput, Conflict, FieldFault, NotFound, Taken
from service.operations.catalogue import the_item
from service.operations.copies import copies_short
from service.operations.following import post_with_holds
from service.operations.planner import planner_of
from service.operations.rules import KEEP_STOCK, MOVE_STOCK, require
from service.operations.schemas.ledger import (
    CorrectionBody,
    LoanOutBody,
    QuarantineBody,
    ReleaseBody,
    WriteOffBody,
)
from service.operations.schemas.stock import (
    CountBody,
    LotFields,
    MoveBody,
    MovementOut,
    ReceiveBody,
)
from service.operations.stock import find_place, item_key, movement_out, receive
from service.operations.unit import Unit
from service.storage.queries import holds, orders, packs, stock
from service.storage.tables import Balance, Item, Location, Lot, Movement

__all__ = [
    "MOVEMENT_PERMISSIONS",
    "AnyMovement",
    "quarantine_place",
    "record",
    "refuse_tray",
    "taken",
]

AnyMovement = (
    ReceiveBody
    | MoveBody
    | CountBody
    | WriteOffBody
    | QuarantineBody
    | ReleaseBody
    | LoanOutBody
    | CorrectionBody
)

#: What each kind of movement requires; the routes that record any kind require MOVE_STOCK.
MOVEMENT_PERMISSIONS = {
    "receive": KEEP_STOCK,
    "move": MOVE_STOCK,
    "count": KEEP_STOCK,
    "write_off": KEEP_STOCK,
    "quarantine": MOVE_STOCK,
    "release": KEEP_STOCK,
    "loan_out": KEEP_STOCK,
    "correction": KEEP_STOCK,
}


def record(unit: Unit, body: AnyMovement) -> MovementOut:
    """Write one movement to the ledger; balances and holds follow in the same transaction.

    Raises
    ------
    Forbidden
        When the caller's roles allow movements, but not of this kind.
    """
    require(unit.caller, MOVEMENT_PERMISSIONS[body.kind])
    if isinstance(body, CorrectionBody):
        return _correct(unit, body)
    item = the_item(unit, body.ref, "/ref")
    if isinstance(body, ReceiveBody):
        refuse_tray(unit, find_place(unit, body.to, "/to"))
        return receive(unit, item, body)
    lot = _the_lot(unit, item, body)
    if isinstance(body, MoveBody):
        return _move(unit, item, lot, body)
    if isinstance(body, CountBody):
        return _count(unit, item, lot, body)
    return _take_off(unit, item, lot, body)


def _take_off(
    unit: Unit,
    item: Item,
    lot: Lot,
    body: WriteOffBody | QuarantineBody | LoanOutBody | ReleaseBody,
) -> MovementOut:
    """Take units off a place for good; what is promised of them is refused, or told."""
    if isinstance(body, WriteOffBody):
        origin, target = find_place(unit, body.at, "/at"), None
    else:
        origin, target = find_place(unit, body.origin, "/origin"), None
    if isinstance(body, LoanOutBody) and lot.ownership != "loan":
        reason = f"these units are {lot.ownership}; only a loan goes back to its supplier"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/ownership", reason)])
    if isinstance(body, QuarantineBody):
        target = quarantine_place(unit)
    if isinstance(body, ReleaseBody):
        target = _shelf_after_quarantine(unit, body, origin)
    refuse_tray(unit, origin, lot)
    _require_there(unit, lot, origin, body.quantity)
    if target is None:
        _require_unpromised(unit, lot, origin, body.quantity)
    line = _line(unit, body.kind, lot, body.quantity, body.reason, origin, target)
    return _posted(unit, item, lot, line, follow=False)


def _shelf_after_quarantine(unit: Unit, body: ReleaseBody, origin: Location) -> Location:
    if origin.kind != "quarantine":
        reason = f"{origin.store}, {origin.shelf} is no quarantine"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/origin", reason)])
    target = find_place(unit, body.to, "/to")
    if target.kind != "shelf":
        reason = f"{target.store}, {target.shelf} is no shelf"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/to", reason)])
    return target


def _the_lot(unit: Unit, item: Item, body: LotFields) -> Lot:
    key = (item_key(item), body.lot or "", body.serial or "", body.ownership)
    lot = stock.find_lot(unit.session, *key)
    if lot is None:
        reason = f"there is no such lot of {body.ref} here ({body.ownership})"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/lot", reason)])
    return lot


def _move(unit: Unit, item: Item, lot: Lot, body: MoveBody) -> MovementOut:
    origin = find_place(unit, body.origin, "/origin")
    target = find_place(unit, body.to, "/to")
    if origin.id == target.id:
        reason = "the units are there already"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/to", reason)])
    refuse_tray(unit, origin, lot)
    refuse_tray(unit, target)
    _require_there(unit, lot, origin, body.quantity)
    follow = target.kind == "shelf"
    line = _line(unit, "move", lot, body.quantity, body.reason or "", origin, target)
    return _posted(unit, item, lot, line, follow=follow)


def _count(unit: Unit, item: Item, lot: Lot, body: CountBody) -> MovementOut:
    place = find_place(unit, body.at, "/at")
    refuse_tray(unit, place, lot)
    there = stock.quantity_at(unit.session, lot.id or 0, place.id or 0)
    difference = body.counted - there
    if difference == 0:
        return movement_out(unit, item, lot, seq=None, kind="count", quantity=0)
    # The count is the truth: what is promised of units that are not there is given up and told.
    origin, target = (None, place) if difference > 0 else (place, None)
    line = _line(unit, "count", lot, abs(difference), body.reason, origin, target)
    return _posted(unit, item, lot, line, follow=False)


def _correct(unit: Unit, body: CorrectionBody) -> MovementOut:
    wrong = unit.session.get(Movement, body.seq)
    if wrong is None:
        raise NotFound(f"The ledger has no line {body.seq}.")
    _require_own_line(unit, wrong)
    if wrong.corrects_seq is not None:
        raise Conflict(f"Line {body.seq} is a correction itself; write a new movement instead.")
    if wrong.case_id is not None:
        raise Conflict(f"Line {body.seq} belongs to a case; correct it on the case's tray.")
    known = stock.correction_of(unit.session, body.seq)
    if known is not None:
        raise Conflict(f"Line {body.seq} has been corrected already, by line {known}.")
    lot = unit.session.get_one(Lot, wrong.lot_id)
    item = unit.session.get_one(Item, lot.item_id)
    if wrong.to_location_id is not None:
        there = unit.session.get_one(Location, wrong.to_location_id)
        _require_there(unit, lot, there, wrong.quantity)
    line: dict[str, Any] = {
        "at": unit.now,
        "kind": wrong.kind,
        "lot_id": wrong.lot_id,
        "from_location_id": wrong.to_location_id,
        "to_location_id": wrong.from_location_id,
        "quantity": wrong.quantity,
        "reason": body.reason,
        "actor": unit.actor,
        "corrects_seq": wrong.seq,
    }
    orders.forget_movement(unit.session, body.seq)
    return _posted(unit, item, lot, line, follow=_is_move_between_shelves(unit, wrong))


def _require_own_line(unit: Unit, line: Movement) -> None:
    """Keep a site to its own lines: another's do not exist, and a transfer is both sites'."""
    ends = [key for key in (line.from_location_id, line.to_location_id) if key is not None]
    own = [unit.session.get_one(Location, key).site_id == unit.site_id for key in ends]
    if not any(own):
        raise NotFound(f"The ledger has no line {line.seq}.")
    if not all(own):
        raise Conflict(f"Line {line.seq} is a transfer between sites; ask for a transfer back.")


def _is_move_between_shelves(unit: Unit, line: Movement) -> bool:
    ends = [key for key in (line.from_location_id, line.to_location_id) if key is not None]
    kinds = [unit.session.get_one(Location, key).kind for key in ends]
    return kinds == ["shelf", "shelf"]


def refuse_tray(unit: Unit, place: Location, lot: Lot | None = None) -> None:
    """Keep the tray of a case to its packs: what lies there is brought and settled one by one.

    A lot that no open pack of the case accounts for may be taken off or counted.
    """
    if place.kind != "theatre":
        return
    case = planner_of(unit).find_case(place.shelf)
    if case is None:
        return
    if lot is not None and not packs.open_packs(unit.session, case.id or 0, lot.id or 0):
        return
    raise Conflict(
        f"{place.store}, {place.shelf} is the tray of case {case.reference}: "
        "scan packs to it, and say there what became of them."
    )


def _line(  # noqa: PLR0917 - the columns of one line
    unit: Unit,
    kind: str,
    lot: Lot,
    quantity: int,
    reason: str,
    origin: Location | None,
    target: Location | None,
) -> dict[str, Any]:
    return {
        "at": unit.now,
        "kind": kind,
        "lot_id": lot.id,
        "from_location_id": origin.id if origin else None,
        "to_location_id": target.id if target else None,
        "quantity": quantity,
        "reason": reason,
        "actor": unit.actor,
    }


def _posted(unit: Unit, item: Item, lot: Lot, line: dict[str, Any], *, follow: bool) -> MovementOut:
    reopened = post_with_holds(unit, line, follow=follow)
    out = movement_out(
        unit,
        item,
        lot,
        seq=stock.last_seq(unit.session),
        kind=str(line["kind"]),
        quantity=int(line["quantity"]),
    )
    return out.model_copy(update={"reopened": reopened})


def _require_there(unit: Unit, lot: Lot, origin: Location, quantity: int) -> None:
    there = stock.quantity_at(unit.session, lot.id or 0, origin.id or 0)
    if there < quantity:
        raise Conflict(
            f"{origin.store}, {origin.shelf} has {there} of this lot, not {quantity}.",
            faults=[FieldFault("/quantity", f"at most {there}")],
        )


def _require_unpromised(unit: Unit, lot: Lot, origin: Location, quantity: int) -> None:
    balance = unit.session.get_one(Balance, (lot.id, origin.id))
    left = balance.quantity - quantity
    if balance.held <= left and not copies_short(unit, lot.id or 0, origin.id or 0, copies=left):
        return
    raise taken(unit, lot, origin)


def taken(unit: Unit, lot: Lot, origin: Location) -> Taken:
    """Say who holds units, case by case with list and theatre."""
    found = holds.of_units(unit.session, lot.id or 0, origin.id or 0)
    who = {case.reference: f"{row.list_date} {row.theatre}" for _, case, row in found}
    names = "; ".join(f"case {case}, list {where}" for case, where in who.items())
    return Taken(
        f"These units are promised: {names}. "
        "Take them over for an urgent case, or change the plan that holds them.",
        facts={"held_by": [{"case": case, "list": where} for case, where in who.items()]},
    )


def quarantine_place(unit: Unit) -> Location:
    """Give the site's quarantine, made if there is none."""
    for row in stock.locations(unit.session, unit.site_id):
        if row.kind == "quarantine":
            return row
    row = Location(site_id=unit.site_id, store="Quarantine", shelf="Q-1", kind="quarantine")
    unit.session.add(row)
    unit.session.flush()
    return row
