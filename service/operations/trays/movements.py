"""The units of a tray: brought from their shelf, taken back, used up."""

from typing import Any

from sqlalchemy import Row

from service.errors import Conflict
from service.operations.holds.conflicts import (
    move_with_holds,
    rehold_cases,
    release_and_notify,
    release_before_tray,
)
from service.operations.holds.holds import (
    hold_instead,
    hold_waiting,
    part_of,
    release_holds,
    update_held,
)
from service.operations.holds.sets import (
    hold_copies,
    hold_turnaround,
    release_copies,
    unserved_copy_holds,
)
from service.operations.locations import ledger_line, reprocessing_place
from service.operations.planner import planner_of
from service.operations.work import Unit
from service.schemas.trays import PackBody, PackOutcomeBody
from service.storage.queries import stock
from service.storage.tables import (
    BY_HAND,
    IN_TRAY,
    CasePack,
    Hold,
    Item,
    Location,
    Lot,
    OperatingList,
    SurgicalCase,
)


def _tray_place(unit: Unit, case: SurgicalCase) -> Location:
    """Return the tray's place in the case's theatre, made when it is the first.

    A tray goes along when its case goes to another theatre.
    """
    theatre = unit.session.get_one(OperatingList, case.list_id).theatre
    named = stock.places_named(unit.session, unit.site_id, case.reference)
    is_taken = any(one.store == theatre for one in named)
    place = next((one for one in named if one.kind == "theatre"), None)
    if place is None:
        if is_taken:
            raise Conflict(
                f"{theatre}, {case.reference} is a shelf, so there is no place for the tray of the "
                "case."
            )
        place = Location(site_id=unit.site_id, store=theatre, shelf=case.reference, kind="theatre")
        unit.session.add(place)
    elif not is_taken:
        place.store = theatre
    unit.session.flush()
    return place


def move_to_tray(  # noqa: PLR0917 - one pack's way
    unit: Unit,
    case: SurgicalCase,
    item: Item,
    lot: Lot,
    home: Location,
    body: PackBody,
) -> None:
    """Move the units to the tray; the case's hold goes with them, or is made there."""
    tray = _tray_place(unit, case)
    lot_id, tray_id = lot.id or 0, tray.id or 0
    before = sum(row.open for row in _packs_of(unit, case, lot))
    line = _line(unit, "pick", case, lot, body.quantity, home, tray, body.although or "")
    why = f"{item.ref} is on the tray of case {case.reference}"
    move_with_holds(unit, line, follow=True, own=case.id, role=IN_TRAY, why=why)
    came = planner_of(unit).holds_in_force(case_id=case.id, lot_id=lot_id, location_id=tray_id)
    missing = before + body.quantity - sum(hold.quantity for hold in came)
    replaced = _replace_reserved(unit, case, lot, tray, missing, why)
    missing -= replaced
    if missing > 0 and item.reusable:
        hold_copies(unit, case, item, lot_id, tray_id, missing)
    elif missing > 0:
        unit.session.add(_tray_hold(unit, case, lot, tray, missing))
        update_held(unit, [(lot_id, tray_id)])
    for hold in planner_of(unit).holds_in_force(
        case_id=case.id, lot_id=lot_id, location_id=tray_id
    ):
        hold.role = IN_TRAY
    unit.session.flush()
    early = release_before_tray(unit, case, lot_id, tray_id, why)
    short = unserved_copy_holds(unit, lot_id, tray_id, own=case.id)
    rehold_cases(unit, [*early, *release_and_notify(unit, short, why)])
    # Who still counts on it has another that is free, or waits for it from now on.
    there = planner_of(unit).holds_in_force(lot_id=lot_id, location_id=tray_id)
    hold_instead(unit, [hold for hold in there if hold.case_id != case.id], why)
    _note_pack(unit, case, lot, home, body.quantity)
    if replaced:
        hold_waiting(unit, item.ref, why)


def _replace_reserved(  # noqa: PLR0917 - what came, where
    unit: Unit, case: SurgicalCase, lot: Lot, tray: Location, units: int, why: str
) -> int:
    """Let go of units of the same item that a case has reserved, for others that were brought.

    What was brought is used as the reserved units were to be, those for good first. What was
    reserved by hand stays reserved.
    """
    if units <= 0:
        return 0
    own = [
        hold
        for hold in planner_of(unit).holds_in_force(case_id=case.id)
        if hold.role not in {IN_TRAY, BY_HAND}
        and unit.session.get_one(Lot, hold.lot_id).item_id == lot.item_id
    ]
    left = units
    for hold in sorted(own, key=lambda one: not (one.stays or one.is_opened)):
        if left <= 0:
            break
        old = part_of(unit, hold, min(left, hold.quantity))
        left -= old.quantity
        facts = old.model_dump(exclude={"id"})
        facts |= {"lot_id": lot.id, "location_id": tray.id, "share_group": None, "role": IN_TRAY}
        unit.session.add(Hold(**facts | {"made_at": unit.now, "actor": unit.actor}))
        release_holds(unit, [old], f"another was brought: {why}")
    update_held(unit, [(lot.id or 0, tray.id or 0)])
    return units - left


def _note_pack(unit: Unit, case: SurgicalCase, lot: Lot, home: Location, quantity: int) -> None:
    for row in _packs_of(unit, case, lot):
        if row.CasePack.home_location_id == home.id:
            row.CasePack.picked += quantity
            return
    unit.session.add(
        CasePack(
            case_id=case.id or 0,
            lot_id=lot.id or 0,
            home_location_id=home.id or 0,
            picked=quantity,
        )
    )


def _packs_of(unit: Unit, case: SurgicalCase, lot: Lot) -> list[Row[Any]]:
    """Return the packs of a lot that have been on the tray, whatever became of them."""
    return [row for row in planner_of(unit).packs_on([lot.id or 0]) if row.case_id == case.id]


def _tray_hold(unit: Unit, case: SurgicalCase, lot: Lot, tray: Location, quantity: int) -> Hold:
    row = unit.session.get_one(OperatingList, case.list_id)
    return Hold(
        case_id=case.id or 0,
        lot_id=lot.id or 0,
        location_id=tray.id or 0,
        quantity=quantity,
        list_date=row.list_date,
        list_id=row.id or 0,
        # It was brought to be used; that nobody planned it changes nothing.
        stays=True,
        from_at=case.starts_at,
        until_at=case.ends_at,
        role=IN_TRAY,
        made_at=unit.now,
        actor=unit.actor,
    )


def record_outcome(  # noqa: PLR0917 - one pack's end
    unit: Unit, case: SurgicalCase, item: Item, lot: Lot, pack: CasePack, body: PackOutcomeBody
) -> None:
    """Let units leave the tray: back to their shelf, or used up."""
    tray = _tray_place(unit, case)
    home = unit.session.get_one(Location, pack.home_location_id)
    _shrink_tray_hold(unit, case, lot, tray, body.quantity)
    reason = body.reason or ""
    if body.fate == "reprocess":
        _send_to_reprocessing(unit, case, item, lot, tray, body)
        pack.returned += body.quantity
        return
    if body.fate == "return":
        line = _line(unit, "return", case, lot, body.quantity, tray, home, reason)
        move_with_holds(unit, line, follow=True)
        # It was not opened: whoever is next can have it now.
        release_copies(unit, case, lot.id or 0, home.id or 0, body.quantity, "returned unopened")
        pack.returned += body.quantity
        return
    used = _become_owned(unit, case, lot, tray, body) if lot.ownership == "consigned" else lot
    line = _line(unit, body.fate, case, used, body.quantity, tray, None, reason)
    move_with_holds(unit, line, follow=False, why=_opened(case))
    if body.fate == "implant":
        pack.implanted += body.quantity
    else:
        pack.wasted += body.quantity


def _send_to_reprocessing(  # noqa: PLR0917 - one set's way
    unit: Unit, case: SurgicalCase, item: Item, lot: Lot, tray: Location, body: PackOutcomeBody
) -> None:
    """Send copies of a set that has been opened away; it is back when it is scanned out again."""
    place = reprocessing_place(unit)
    lot_id, place_id = lot.id or 0, place.id or 0
    line = _line(unit, "reprocess", case, lot, body.quantity, tray, place, body.reason or "")
    move_with_holds(unit, line, follow=True)
    hold_turnaround(unit, case, item, lot_id, place_id)
    short = unserved_copy_holds(unit, lot_id, place_id, own=case.id)
    why = f"{item.ref} {lot.serial or lot.lot_number} was opened in case {case.reference}"
    lost = release_and_notify(unit, short, why)
    # Who still can have it has to wait for it from now on, or has another copy.
    rehold_cases(unit, [*lost, *_others_on(unit, case, lot_id, place_id)])


def _others_on(unit: Unit, case: SurgicalCase, lot_id: int, place_id: int) -> list[SurgicalCase]:
    rows = planner_of(unit).holds_in_force(lot_id=lot_id, location_id=place_id, is_set=True)
    return [
        unit.session.get_one(SurgicalCase, row.case_id) for row in rows if row.case_id != case.id
    ]


def _opened(case: SurgicalCase) -> str:
    return f"a pack shared with this case was opened in case {case.reference}"


def _shrink_tray_hold(
    unit: Unit, case: SurgicalCase, lot: Lot, tray: Location, quantity: int
) -> None:
    """Release the case's own hold on units that leave its tray; others' holds go with them."""
    left = quantity
    for hold in planner_of(unit).holds_in_force(
        case_id=case.id,
        lot_id=lot.id,
        location_id=tray.id,
        role=IN_TRAY,
        is_set=False,
    ):
        if left == 0:
            break
        off = min(left, hold.quantity)
        left -= off
        if off == hold.quantity:
            release_holds(unit, [hold], "accounted for")
        else:
            hold.quantity -= off
    update_held(unit, [(lot.id or 0, tray.id or 0)])


def _become_owned(
    unit: Unit, case: SurgicalCase, lot: Lot, tray: Location, body: PackOutcomeBody
) -> Lot:
    """Turn consigned units into owned ones: out of the consigned lot, into its owned twin."""
    key = (lot.item_id, lot.lot_number, lot.serial, "owned")
    twin = stock.find_lot(unit.session, *key)
    if twin is None:
        facts = lot.model_dump(exclude={"id", "ownership", "return_by"})
        twin = Lot(**facts, ownership="owned")
        unit.session.add(twin)
        unit.session.flush()
    reason = "used: bill only"
    out = _line(unit, "consigned_use", case, lot, body.quantity, tray, None, reason)
    move_with_holds(unit, out, follow=False, why=_opened(case))
    into = _line(unit, "consigned_use", case, twin, body.quantity, None, tray, reason)
    move_with_holds(unit, into, follow=False)
    return twin


def _line(  # noqa: PLR0917 - one pack's way
    unit: Unit,
    kind: str,
    case: SurgicalCase,
    lot: Lot,
    quantity: int,
    origin: Location | None,
    target: Location | None,
    reason: str,
) -> dict[str, Any]:
    return ledger_line(
        unit,
        kind,
        lot.id,
        quantity,
        origin=origin.id if origin else None,
        target=target.id if target else None,
        reason=reason,
        case_id=case.id,
    )
