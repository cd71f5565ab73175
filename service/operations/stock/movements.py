"""Movements of every kind; a correction is a new line that names the one it takes back."""

from collections.abc import Collection, Mapping
from typing import Any

from sqlalchemy import Row

from service.core.catalogue import describe_size
from service.core.lots import copies_fault, use_by_fault
from service.errors import BadInput, Conflict, FieldFault, NotFound
from service.operations.catalogue import require_item
from service.operations.holds.conflicts import move_with_holds, taken_error
from service.operations.holds.sets import unserved_copy_holds
from service.operations.locations import (
    find_place,
    item_key,
    ledger_line,
    quarantine_place,
    reprocessing_place,
    require_shelf,
)
from service.operations.people.permissions import (
    EFFECT_PERMISSIONS,
    effect_of,
    may,
    require_effect,
)
from service.operations.planner import planner_of
from service.operations.stock.arrivals import (
    NONE_UNFIT,
    pack_name,
    turns_up_unfit,
    unfit_units,
)
from service.operations.stock.reprocessing import release_turnaround, require_fit_for_shelf
from service.operations.stock.transfers import note_progress, require_in_transit
from service.operations.stock_units import naming_recall, why_not_usable
from service.operations.work import Unit
from service.schemas.stock import (
    CountBody,
    DeliveryList,
    DeliveryOut,
    LocationOut,
    LotFields,
    MoveBody,
    MovementOut,
    ReceiveBody,
    StockOut,
    StockPage,
)
from service.schemas.trays import (
    CorrectionBody,
    LoanOutBody,
    QuarantineBody,
    ReleaseBody,
    ReprocessBody,
    WriteOffBody,
)
from service.storage.queries import catalogue, orders, stock, trays
from service.storage.tables import Balance, Item, Location, Lot, Movement, Transfer

AnyMovement = (
    ReceiveBody
    | MoveBody
    | CountBody
    | WriteOffBody
    | QuarantineBody
    | ReleaseBody
    | ReprocessBody
    | LoanOutBody
    | CorrectionBody
)


#: Between places of which kinds a movement goes, where its kind says so. What a count or a
#: correction does is known when it has been compared with what is there.
_ENDS: Mapping[str, tuple[str | None, str | None]] = {
    "receive": (None, "shelf"),
    "move": ("shelf", "shelf"),
    "write_off": ("shelf", None),
    "quarantine": ("shelf", "quarantine"),
    "release": ("quarantine", "shelf"),
    "reprocess": ("shelf", "reprocessing"),
    "loan_out": ("shelf", None),
}


def may_record(roles: Collection[str], kind: str) -> bool:
    """Tell whether somebody with these roles may record a movement, whatever a count finds."""
    return may(roles, EFFECT_PERMISSIONS[effect_of(*_ENDS.get(kind, ("shelf", None)))])


def record_movement(unit: Unit, body: AnyMovement) -> MovementOut:
    """Write one movement to the ledger; balances and holds follow in the same transaction.

    Raises
    ------
    Forbidden
        When the caller's roles allow movements, but not what this one does to the units.
    """
    if body.kind in _ENDS:
        require_effect(unit.caller, *_ENDS[body.kind])
    if isinstance(body, CorrectionBody):
        return _correct(unit, body)
    item = require_item(unit, body.ref, "/ref")
    if isinstance(body, ReceiveBody):
        refuse_tray(unit, find_place(unit, body.to, "/to"))
        return receive(unit, item, body)
    lot = _require_lot(unit, item, body)
    if isinstance(body, MoveBody):
        return _move(unit, item, lot, body)
    if isinstance(body, CountBody):
        return _count(unit, item, lot, body)
    if isinstance(body, ReprocessBody):
        return _send_to_reprocessing(unit, item, lot, body)
    return _take_off(unit, item, lot, body)


def _take_off(
    unit: Unit,
    item: Item,
    lot: Lot,
    body: WriteOffBody | QuarantineBody | LoanOutBody | ReleaseBody,
) -> MovementOut:
    """Take units off a place for good; what is promised of them is refused, or told.

    What has left the place where sets are reprocessed is gone from there, whoever waits for it.
    """
    if isinstance(body, WriteOffBody):
        origin, target = find_place(unit, body.at, "/at"), None
    else:
        origin, target = find_place(unit, body.origin, "/origin"), None
    is_reprocessed = origin.kind == "reprocessing" and not isinstance(body, ReleaseBody)
    if not is_reprocessed:
        refuse_tray(unit, origin, lot)
    if isinstance(body, LoanOutBody) and lot.ownership != "loan":
        reason = f"these units are {lot.ownership}; only a loan is returned to its supplier"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/ownership", reason)])
    if isinstance(body, QuarantineBody):
        target = quarantine_place(unit)
        if origin.kind == "quarantine":
            reason = "the units are already in quarantine"
            raise BadInput("Nothing was saved.", faults=[FieldFault("/origin", reason)])
    if isinstance(body, ReleaseBody):
        target = _place_after_quarantine(unit, item, lot, body, origin)
    _require_there(unit, lot, origin, body.quantity)
    if is_reprocessed:
        release_turnaround(unit, lot, origin.id or 0, body.quantity, body.reason)
    elif target is None:
        _require_unpromised(unit, lot, origin, body.quantity)
    line = ledger_line(
        unit,
        body.kind,
        lot.id,
        body.quantity,
        origin=origin.id,
        target=target.id if target else None,
        reason=body.reason,
    )
    return _posted(unit, item, lot, line, follow=False)


def _place_after_quarantine(
    unit: Unit, item: Item, lot: Lot, body: ReleaseBody, origin: Location
) -> Location:
    if origin.kind != "quarantine":
        reason = f"{origin.store}, {origin.shelf} is not a quarantine location"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/origin", reason)])
    target = find_place(unit, body.to, "/to")
    if item.reusable and target.kind == "reprocessing":
        return target
    require_fit_for_shelf(unit, lot, origin, body.quantity)
    return require_shelf(target, "/to")


def _send_to_reprocessing(unit: Unit, item: Item, lot: Lot, body: ReprocessBody) -> MovementOut:
    """Send copies of a set from their shelf to be reprocessed: they are not sterile after all.

    Cases that counted on them are told, and other copies looked for. When they are back nobody can
    say before they are scanned out.
    """
    origin = find_place(unit, body.origin, "/origin")
    refuse_tray(unit, origin, lot)
    if not item.reusable:
        reason = f"{item.ref} is for single use and must not be reprocessed"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/ref", reason)])
    target = reprocessing_place(unit)
    _refuse_out_of_quarantine(origin, target, "/origin")
    _require_there(unit, lot, origin, body.quantity)
    line = ledger_line(
        unit,
        "reprocess",
        lot.id,
        body.quantity,
        origin=origin.id,
        target=target.id,
        reason=body.reason,
    )
    return _posted(unit, item, lot, line, follow=False)


def _require_lot(unit: Unit, item: Item, body: LotFields) -> Lot:
    key = (item_key(item), body.lot or "", body.serial or "", body.ownership)
    lot = stock.find_lot(unit.session, *key)
    if lot is None:
        reason = f"this lot of {body.ref} ({body.ownership}) is not in stock"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/lot", reason)])
    return lot


def _move(unit: Unit, item: Item, lot: Lot, body: MoveBody) -> MovementOut:
    origin = find_place(unit, body.origin, "/origin")
    target = find_place(unit, body.to, "/to")
    if origin.id == target.id:
        reason = "the units are already there"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/to", reason)])
    refuse_tray(unit, origin, lot)
    refuse_tray(unit, target)
    _refuse_out_of_quarantine(origin, target, "/to")
    _require_there(unit, lot, origin, body.quantity)
    follow = target.kind == "shelf"
    line = ledger_line(
        unit,
        "move",
        lot.id,
        body.quantity,
        origin=origin.id,
        target=target.id,
        reason=body.reason or "",
    )
    return _posted(unit, item, lot, line, follow=follow)


def _count(unit: Unit, item: Item, lot: Lot, body: CountBody) -> MovementOut:
    place = find_place(unit, body.at, "/at")
    if place.kind != "reprocessing":
        refuse_tray(unit, place, lot)
    there = stock.quantity_at(unit.session, lot.id or 0, place.id or 0)
    difference = body.counted - there
    found = {"was": there, "counted": body.counted}
    if difference == 0:
        same = {"kind": "count", "quantity": 0, "from_location_id": place.id}
        return movement_out(unit, item, lot, same, seq=None).model_copy(update=found)
    if difference > 0:
        _refuse_unfit_arrival(unit, lot, place, "/counted")
        _refuse_twin(unit, item, lot, difference)
    # The count is the truth: what is promised of units that are not there is given up and told.
    origin, target = (None, place.id) if difference > 0 else (place.id, None)
    line = ledger_line(
        unit, "count", lot.id, abs(difference), origin=origin, target=target, reason=body.reason
    )
    return _posted(unit, item, lot, line, follow=False).model_copy(update=found)


def _refuse_unfit_arrival(
    unit: Unit, lot: Lot, place: Location, pointer: str, *, is_delivery: bool = False
) -> None:
    """Keep units from becoming usable that turn up from where they must not be used."""
    found = unfit_units(unit, [lot.item_id])
    own = found.get(pack_name(lot.item_id, lot.lot_number, lot.serial), NONE_UNFIT)
    reason = turns_up_unfit(unit, own, place.kind, place.id, is_delivery=is_delivery)
    if reason is not None:
        raise BadInput("Nothing was saved.", faults=[FieldFault(pointer, reason)])


def _refuse_out_of_quarantine(origin: Location, target: Location, pointer: str) -> None:
    """Keep units in quarantine until somebody releases them: a release says who and why."""
    if origin.kind == "quarantine" and target.kind != "quarantine":
        reason = (
            f"{origin.store}, {origin.shelf} is a quarantine location: release the units when they "
            "may be used"
        )
        raise BadInput("Nothing was saved.", faults=[FieldFault(pointer, reason)])


def _correct(unit: Unit, body: CorrectionBody) -> MovementOut:
    wrong = unit.session.get(Movement, body.seq)
    if wrong is None:
        raise NotFound(f"Ledger line {body.seq} was not found.")
    _require_own_line(unit, wrong)
    if wrong.corrects_seq is not None:
        raise Conflict(f"Line {body.seq} is itself a correction. Record a new movement instead.")
    if wrong.case_id is not None:
        raise Conflict(f"Line {body.seq} belongs to a case. Correct it on the tray of the case.")
    known = stock.correction_of(unit.session, body.seq)
    if known is not None:
        raise Conflict(f"Line {body.seq} has already been corrected, by line {known}.")
    lot = unit.session.get_one(Lot, wrong.lot_id)
    item = unit.session.get_one(Item, lot.item_id)
    _refuse_wrong_way_back(unit, lot, wrong)
    line = ledger_line(
        unit,
        wrong.kind,
        wrong.lot_id,
        wrong.quantity,
        origin=wrong.to_location_id,
        target=wrong.from_location_id,
        reason=body.reason,
        corrects_seq=wrong.seq,
        transfer_id=wrong.transfer_id,
    )
    orders.forget_movement(unit.session, body.seq)
    out = _posted(unit, item, lot, line, follow=_is_move_between_shelves(unit, wrong))
    if wrong.transfer_id is not None:
        note_progress(unit, unit.session.get_one(Transfer, wrong.transfer_id))
    return out


def _refuse_wrong_way_back(unit: Unit, lot: Lot, wrong: Movement) -> None:
    """Refuse to take a line back that has gone on from there, or only a release can undo."""
    ends = (wrong.from_location_id, wrong.to_location_id)
    back, there = (None if key is None else unit.session.get_one(Location, key) for key in ends)
    if there is not None and there.kind == "transit":
        require_in_transit(unit, wrong)
    if there is not None:
        _require_there(unit, lot, there, wrong.quantity)
    if back is not None and there is not None:
        _refuse_out_of_quarantine(there, back, "/seq")
    elif back is not None:
        _refuse_unfit_arrival(unit, lot, back, "/seq")


def _require_own_line(unit: Unit, line: Movement) -> None:
    """Keep a site to its own lines: another's do not exist, and a transfer is both sites'.

    Who has sent units may take that back as long as they are in transit.
    """
    keys = (line.from_location_id, line.to_location_id)
    ends = [None if key is None else unit.session.get_one(Location, key) for key in keys]
    own = [end.site_id == unit.site_id for end in ends if end is not None]
    if not any(own):
        raise NotFound(f"Ledger line {line.seq} was not found.")
    if all(own):
        return
    origin, target = ends
    if target is None or target.kind != "transit":
        raise Conflict(f"Line {line.seq} is a transfer between sites. Request a transfer back.")
    if origin is None or origin.site_id != unit.site_id:
        raise Conflict(
            f"Line {line.seq} was sent by another site: receive it or write it off on the "
            "Transfers page. Only the sending site can undo it."
        )


def _is_move_between_shelves(unit: Unit, line: Movement) -> bool:
    ends = [key for key in (line.from_location_id, line.to_location_id) if key is not None]
    kinds = [unit.session.get_one(Location, key).kind for key in ends]
    return kinds == ["shelf", "shelf"]


def refuse_tray(unit: Unit, place: Location, lot: Lot | None = None) -> None:
    """Keep the tray of a case to its packs: what lies there is brought and settled one by one.

    A lot that no open pack of the case accounts for may be taken off or counted. What is in transit
    is received or written off with its transfer.
    """
    if place.kind == "transit" and lot is None:
        raise Conflict(
            f"{place.store}, {place.shelf} is for units sent by other sites: request units on the "
            "Transfers page."
        )
    if place.kind == "transit":
        raise Conflict(
            f"{place.store}, {place.shelf}: these units have not arrived. Receive them on the "
            "Transfers page, or write them off there."
        )
    if place.kind == "reprocessing" and lot is None:
        raise Conflict(
            f"{place.store}, {place.shelf} is for opened sets: send them there from the tray of "
            "their case."
        )
    if place.kind == "reprocessing":
        raise Conflict(
            f"{place.store}, {place.shelf}: a set leaves it when it is scanned out of "
            "sterilisation, or is written off as missing by a count."
        )
    if place.kind != "theatre":
        return
    case = planner_of(unit).find_case(place.shelf)
    if case is None:
        return
    if lot is not None and not trays.open_packs(unit.session, case.id or 0, lot.id or 0):
        return
    raise Conflict(
        f"{place.store}, {place.shelf} is the tray of case {case.reference}: scan packs to it, and "
        "record there what happened to them."
    )


def _posted(unit: Unit, item: Item, lot: Lot, line: dict[str, Any], *, follow: bool) -> MovementOut:
    reopened = move_with_holds(unit, line, follow=follow)
    out = movement_out(unit, item, lot, line, seq=stock.last_seq(unit.session))
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
    if balance.held <= left and not unserved_copy_holds(
        unit, lot.id or 0, origin.id or 0, copies=left
    ):
        return
    raise taken_error(unit, lot, origin)


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
    """Return what lies where, by reference and lot, some at a time."""
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
        stock=[_stock_out(unit, row, describe_size(facts[row.ref])) for row in page],
        next_after=more,
    )


#: The largest key a row can have on both databases.
_MOST_KEY = 2**31 - 1


def _write_cursor(row: Row[Any]) -> str:
    return f"{row.lot_id}.{row.location_id}.{row.ref}"


def _read_cursor(text: str) -> tuple[str, int, int]:
    lot, _, rest = text.partition(".")
    place, _, ref = rest.partition(".")
    if not (lot.isascii() and lot.isdigit() and place.isascii() and place.isdigit() and ref):
        reason = "this is not a valid place to continue from; start again without it"
        raise BadInput("The page was not found.", faults=[FieldFault("/after", reason)])
    # PostgreSQL takes no larger number for a key; beyond it there are no rows either way.
    return ref, min(int(lot[:18]), _MOST_KEY), min(int(place[:18]), _MOST_KEY)


def _stock_out(unit: Unit, row: Row[Any], size: str) -> StockOut:
    state = why_not_usable(row, {row.lot_id} if row.recalled else (), unit.today)
    facts = {**row._asdict(), "lot": row.lot_number, "size": size, "not_usable": state}
    return StockOut.model_validate(facts)


def stock_words(unit: Unit) -> dict[str, list[str]]:
    """Return the systems and stores there are, for choosing from."""
    return {
        "systems": stock.systems(unit.session),
        "stores": stock.stores(unit.session, unit.site_id),
    }


def receive(unit: Unit, item: Item, body: ReceiveBody, *, reason: str = "") -> MovementOut:
    """Take a pack into stock; an expired or recalled one is refused."""
    if body.use_by is not None and body.use_by < unit.today:
        reason = f"{body.use_by} is in the past: do not receive an expired pack into stock"
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
    notice = naming_recall(unit, item_key(item), item.supplier, body.lot or "", body.serial or "")
    if notice is not None and place.kind != "quarantine":
        reason = f"recalled by notice {notice.notice}; receive it into quarantine"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/lot", reason)])
    lot = _same_lot(unit, item, body, sterility)
    _refuse_unfit_arrival(unit, lot, place, "/lot", is_delivery=True)
    _refuse_twin(unit, item, lot, body.quantity)
    kind = "loan_in" if body.ownership == "loan" else "receive"
    line = ledger_line(
        unit, kind, lot.id, body.quantity, origin=None, target=place.id, reason=reason
    )
    stock.post_movements(unit.session, [line])
    return movement_out(unit, item, lot, line, seq=stock.last_seq(unit.session))


def _refuse_twin(unit: Unit, item: Item, lot: Lot, more: int) -> None:
    there = sum(row.quantity for row in planner_of(unit).lying([lot.id or 0]))
    if lot.serial:
        # Whoever owns it: one serial of an item is one unit.
        known = orders.serial_lots(unit.session, item_key(item), lot.serial)
        there = sum(row.there or 0 for row in {row.id: row for row in known}.values())
    fault = copies_fault(
        reusable=item.reusable, serial=lot.serial, sterility=lot.sterility, copies=there + more
    )
    if fault is not None:
        raise BadInput("Nothing was saved.", faults=[FieldFault("/serial", fault)])


def _same_lot(unit: Unit, item: Item, body: ReceiveBody, sterility: str) -> Lot:
    """Find the lot, or start it; a lot cannot have two use-by dates.

    What can come again as another unit does so with its own facts: a set or a loan of which nothing
    is left anywhere. A pack for single use keeps those its lot was used with.
    """
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
    comes_again = item.reusable or lot.ownership == "loan"
    if comes_again and not orders.units_of_lot(unit.session, lot.id or 0):
        lot.use_by, lot.return_by, lot.sterility = body.use_by, body.return_by, sterility
        unit.session.flush()
        return lot
    for name, theirs, ours in (
        ("use_by", lot.use_by, body.use_by),
        ("return_by", lot.return_by, body.return_by),
        ("sterility", lot.sterility, sterility),
    ):
        if theirs != ours:
            reason = f"this lot is recorded with {name} {theirs}; check the label"
            raise BadInput("Nothing was saved.", faults=[FieldFault(f"/{name}", reason)])
    return lot


def movement_out(
    unit: Unit, item: Item, lot: Lot, line: Mapping[str, Any], *, seq: int | None
) -> MovementOut:
    """Return what was moved, as it is answered."""
    return MovementOut(
        seq=seq,
        kind=line["kind"],
        ref=item.ref,
        lot=lot.lot_number,
        serial=lot.serial,
        quantity=line["quantity"],
        actor=unit.actor,
        at=unit.local(unit.now),
        origin=_place_out(unit, line.get("from_location_id")),
        target=_place_out(unit, line.get("to_location_id")),
        corrects_seq=line.get("corrects_seq"),
    )


def _place_out(unit: Unit, key: int | None) -> LocationOut | None:
    if key is None:
        return None
    place = unit.session.get_one(Location, key)
    return LocationOut(store=place.store, shelf=place.shelf, kind=place.kind)


def list_deliveries(unit: Unit) -> DeliveryList:
    """Return everything on its way, the earliest first: what is outstanding on sent orders."""
    rows = planner_of(unit).deliveries
    return DeliveryList(deliveries=[delivery_out(unit, row._asdict()) for row in rows])


def delivery_out(unit: Unit, facts: dict[str, Any]) -> DeliveryOut:
    """Return units on their way with their moments on the site's clock."""
    for name in ("due_at", "usable_from"):
        facts[name] = unit.local(facts[name])
    return DeliveryOut.model_validate(facts)
