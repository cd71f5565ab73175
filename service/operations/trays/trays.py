"""The tray of a case: packs scanned to it, and what became of each.

prepared → in theatre → closed. A case is closed when every pack is implanted, wasted or back.
"""

from collections.abc import Sequence
from typing import Any, Literal

from sqlalchemy import Row

from service.core.catalogue import describe_size
from service.errors import BadInput, Conflict, FieldFault, NotFound
from service.exchange.labels.gs1 import bracketed, gs1_elements
from service.operations.cases.lookup import refuse_ended, require_case
from service.operations.catalogue import require_item
from service.operations.cover.check import check_case
from service.operations.holds.conflicts import taken_error
from service.operations.holds.holds import release_case, tell_case
from service.operations.holds.reserve import refuse_unfit
from service.operations.holds.sets import copies_free
from service.operations.locations import find_place, item_key
from service.operations.planner import planner_of
from service.operations.stock_units import why_unfit
from service.operations.trays.movements import move_to_tray, record_outcome
from service.operations.trays.scans import scan_named_pack, scan_pack
from service.operations.work import Unit, require_version
from service.schemas.stock import LocationBody
from service.schemas.trays import (
    AloudOut,
    BroughtOut,
    ImplantLog,
    ImplantOut,
    NamedPackBody,
    PackBody,
    PackOut,
    PackOutcomeBody,
    ScanBody,
    ScanOut,
    SettledOut,
    TrayOut,
)
from service.storage.queries import trays
from service.storage.tables import IN_TRAY, Hold, Item, Location, Lot, SurgicalCase

#: Where a case may go from each status.
_NEXT = {
    "planned": {"prepared"},
    "prepared": {"in_theatre", "closed"},
    "in_theatre": {"closed"},
}


def tray_of(unit: Unit, reference: str) -> TrayOut:
    """Return every pack scanned to a case and what has become of it."""
    case = require_case(unit, reference)
    rows = trays.of_case(unit.session, case.id or 0)
    items = planner_of(unit).catalogue.by_ref if rows else {}
    found = [
        PackOut.model_validate(
            {
                **row._asdict(),
                "system": items[row.ref].system or "",
                "size": describe_size(items[row.ref]),
                "lot": row.lot_number,
                "open": row.picked - row.returned - row.implanted - row.wasted,
                "unfit": why_unfit(row, unit.today),
            }
        )
        for row in rows
    ]
    return TrayOut(
        case=reference,
        status=case.status,
        version=case.version,
        packs=found,
        unaccounted=sum(pack.open for pack in found),
        was_in_theatre=_was_in_theatre(unit, case, rows),
    )


def _was_in_theatre(unit: Unit, case: SurgicalCase, packs: Sequence[Row[Any]]) -> bool:
    """Tell whether a case has begun: its status, or what was used in it, or what it keeps says so.

    A case that was cancelled in theatre keeps its sets: they may have been opened.
    """
    if case.status == "in_theatre" or any(row.implanted + row.wasted for row in packs):
        return True
    kept = {"case_id": case.id, "is_set": True, "role": IN_TRAY}
    return case.status == "cancelled" and bool(planner_of(unit).holds_in_force(**kept))


def pick_pack(unit: Unit, reference: str, body: PackBody) -> TrayOut:
    """Bring a pack as `put_on_tray` does, and give the tray."""
    put_on_tray(unit, reference, body)
    return tray_of(unit, reference)


def put_on_tray(unit: Unit, reference: str, body: PackBody) -> None:
    """Bring a pack from its shelf to the tray of a case; the case's hold goes with it.

    Raises
    ------
    BadInput
        When the pack must not be used for this case, or is not on its pick list and nobody says
        why it is brought.
    Taken
        When the pack is promised to another case.
    """
    case = _open_case(unit, reference)
    item = require_item(unit, body.ref, "/ref")
    lot = planner_of(unit).find_lot(
        item_key(item), body.lot or "", body.serial or "", body.ownership
    )
    if lot is None:
        reason = f"this lot of {body.ref} is not in stock; receive it first"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/lot", reason)])
    home = _home(unit, case, lot, body)
    refuse_unfit(unit, case, item, lot, home)
    _require_there(unit, lot, home, body.quantity)
    _require_wanted(unit, case, item, lot, home, body)
    _require_own_or_free(unit, case, item, lot, home, body.quantity)
    move_to_tray(unit, case, item, lot, home, body)
    if case.status == "planned":
        case.status = "prepared"
        case.version += 1
    unit.session.flush()


def _open_case(unit: Unit, reference: str) -> SurgicalCase:
    case = require_case(unit, reference)
    refuse_ended(case, "no packs can be added")
    return case


def _home(unit: Unit, case: SurgicalCase, lot: Lot, body: PackBody) -> Location:
    """Find the shelf the pack comes from: the one said, or held, or else the first that has it."""
    if body.at is not None:
        home = find_place(unit, body.at, "/at")
    else:
        held = planner_of(unit).holds_in_force(case_id=case.id, lot_id=lot.id)
        places = [hold.location_id for hold in held if hold.role != IN_TRAY]
        found = [unit.session.get_one(Location, key) for key in places]
        found += _places_of(unit, lot)
        if not found:
            reason = "no shelf has this lot; count the shelf or receive the pack"
            raise BadInput("Nothing was saved.", faults=[FieldFault("/lot", reason)])
        home = next((row for row in found if row.kind == "shelf"), found[0])
    return home


def _places_of(unit: Unit, lot: Lot) -> list[Location]:
    """Return the places of the site that have units of a lot, by id."""
    found = [row.Location for row in planner_of(unit).lying_here([lot.id or 0])]
    return sorted(found, key=lambda place: place.id)


def _require_there(unit: Unit, lot: Lot, home: Location, quantity: int) -> None:
    """Refuse what is on a tray already, and more than is there."""
    if home.kind != "shelf":
        reason = "this pack is already on a tray; leave it"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/lot", reason)])
    if planner_of(unit).quantity_at(lot.id or 0, home.id or 0) < quantity:
        reason = f"{home.store}, {home.shelf} does not have that many of this lot"
        raise Conflict("Nothing was saved.", faults=[FieldFault("/quantity", reason)])


def _require_wanted(  # noqa: PLR0917 - who wants what from where
    unit: Unit, case: SurgicalCase, item: Item, lot: Lot, home: Location, body: PackBody
) -> None:
    """Refuse a pack nobody planned, unless it is said why."""
    if _own_holds(unit, case, lot, home) or body.although is not None:
        return
    check = check_case(unit, case.reference)
    lines = [line for one in check.constructs for line in one.lines] + check.near
    if not any(item.ref in line.refs for line in lines):
        reason = "it is not on the pick list; enter the reason for using it"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/ref", reason)])


def _require_own_or_free(  # noqa: PLR0917 - who wants what from where
    unit: Unit, case: SurgicalCase, item: Item, lot: Lot, home: Location, quantity: int
) -> None:
    """Refuse units that are another case's."""
    if item.reusable:
        if copies_free(unit, case, item, lot.id or 0, home.id or 0) < quantity:
            raise taken_error(unit, lot, home)
        return
    own = sum(hold.quantity for hold in _own_holds(unit, case, lot, home))
    lying = planner_of(unit).lying([lot.id or 0])
    free = sum(row.quantity - row.held for row in lying if row.location_id == home.id)
    if own + free < quantity:
        raise taken_error(unit, lot, home)


def _own_holds(unit: Unit, case: SurgicalCase, lot: Lot, home: Location) -> list[Hold]:
    found = planner_of(unit).holds_in_force(case_id=case.id, lot_id=lot.id, location_id=home.id)
    return [hold for hold in found if hold.role != IN_TRAY]


def record_pack_outcome(unit: Unit, reference: str, body: PackOutcomeBody) -> TrayOut:
    """Say what became of a pack of the tray: implanted, opened and wasted, or returned.

    A consigned pack that is used becomes the hospital's own at that moment. A backup that others
    counted on is gone when it is opened: those cases are told, and other units looked for. What
    must not be used and was implanted all the same is on record as such, in the ledger and for
    whoever confirmed the case.

    Raises
    ------
    BadInput
        When there is no such pack on the tray, or it cannot have become that; or it must not be
        used, and nobody says that it was.
    """
    case = require_case(unit, reference)
    item = require_item(unit, body.ref, "/ref")
    lot = planner_of(unit).find_lot(
        item_key(item), body.lot or "", body.serial or "", body.ownership
    )
    found = trays.open_packs(unit.session, case.id or 0, lot.id or 0) if lot is not None else []
    pack = next(iter(found), None)
    if lot is None or pack is None:
        reason = "this pack was not scanned to the tray, or has already been accounted for"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/lot", reason)])
    left = pack.picked - pack.returned - pack.implanted - pack.wasted
    _refuse_fate(case, item, left, body)
    unfit = _unfit(unit, case, body) if body.fate == "implant" else ""
    if unfit:
        _require_said(body, unfit)
        says = f"{item.ref} {lot.lot_number or lot.serial} was implanted although it was {unfit}"
        tell_case(unit, case, "used although unfit", says)
        reason = f"{says}; {body.reason}" if body.reason else says
        body = body.model_copy(update={"reason": reason})
    record_outcome(unit, case, item, lot, pack, body)
    unit.session.flush()
    return tray_of(unit, reference)


def _unfit(unit: Unit, case: SurgicalCase, body: PackOutcomeBody) -> str:
    rows = trays.of_case(unit.session, case.id or 0)
    key = (body.ref, body.lot or "", body.serial or "", body.ownership)
    found = [row for row in rows if (row.ref, row.lot_number, row.serial, row.ownership) == key]
    return next((why_unfit(row, unit.today) for row in found), "")


def _require_said(body: PackOutcomeBody, unfit: str) -> None:
    """Ask for it to be said aloud; what has been said is on record, and never refused."""
    if not body.was_used:
        reason = f"it must not be used: {unfit}; if it has been implanted anyway, confirm that"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/was_used", reason)])


def _refuse_fate(case: SurgicalCase, item: Item, left: int, body: PackOutcomeBody) -> None:
    if body.quantity > left:
        reason = f"only {left} of this pack are left to account for"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/quantity", reason)])
    if body.fate == "waste" and body.reason is None:
        reason = "enter why it was wasted, such as dropped or wrong size opened"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/reason", reason)])
    if body.fate == "implant" and item.reusable:
        reason = "an instrument set is not implanted; return it"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/fate", reason)])
    if body.fate == "reprocess" and not item.reusable:
        reason = f"{item.ref} is single use and must not be reprocessed"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/fate", reason)])
    if body.fate == "waste" and item.reusable:
        reason = "an instrument set cannot be wasted; send it for reprocessing"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/fate", reason)])
    if body.fate == "implant":
        refuse_ended(case, "nothing can be implanted in it")


def set_status(unit: Unit, reference: str, status: str, version: int) -> TrayOut:
    """Take a case one step on; it is closed only when every pack is accounted for."""
    case = require_case(unit, reference)
    require_version(case.version, version, f"Case {reference}")
    if status not in _NEXT.get(case.status, set()):
        raise Conflict(f"Case {reference} is {case.status}; it cannot be set to {status}.")
    if status == "closed":
        tray = tray_of(unit, reference)
        if tray.unaccounted:
            missing = ", ".join(
                f"{pack.open} × {pack.ref} {pack.lot or pack.serial}"
                for pack in tray.packs
                if pack.open
            )
            raise Conflict(
                f"{tray.unaccounted} packs are not accounted for: {missing}. Record for each "
                "whether it was implanted, wasted or returned.",
                facts={"unaccounted": tray.unaccounted},
            )
    case.status = status
    if status == "closed":
        release_case(unit, case, "the case was closed", keeps_sets=True)
    case.version += 1
    unit.session.flush()
    return tray_of(unit, reference)


def implant_log(unit: Unit, reference: str) -> ImplantLog:
    """Return the lines of a case's implant log, the oldest first."""
    case = require_case(unit, reference)
    rows = trays.implant_log(unit.session, case.id or 0)
    return ImplantLog(
        lines=[
            ImplantOut(
                case=reference,
                udi=udi_of(row),
                ref=row.ref,
                description=row.description,
                lot=row.lot_number,
                serial=row.serial,
                use_by=row.use_by,
                quantity=row.quantity,
                fate="implanted" if row.kind == "implant" else "wasted",
                reason=row.reason,
                at=unit.local(row.at),
                actor=row.actor,
            )
            for row in rows
        ]
    )


def udi_of(row: Row[Any]) -> str:
    """Write the device identifier as GS1 element strings for people to read; empty without GTIN.

    Application identifiers 01, 17, 10 and 21. Source: GS1 General Specifications.
    """
    if not row.gtin:
        return ""
    return bracketed(
        gs1_elements(gtin=row.gtin, lot=row.lot_number, serial=row.serial, use_by=row.use_by)
    )


#: What may be brought all the same when somebody says why. What must not be used is not among it.
CAN_BE_OVERRULED = frozenset({"wrong_size", "wrong_item", "no_pick_list"})


def judge_scanned(unit: Unit, reference: str, body: ScanBody | NamedPackBody) -> ScanOut:
    """Judge a pack for a case, by its code or by what was read on it; nothing is changed."""
    asked = body.model_copy(update={"case": reference})
    return scan_pack(unit, asked) if isinstance(asked, ScanBody) else scan_named_pack(unit, asked)


def may_be_brought(scan: ScanOut, although: str | None) -> bool:
    """Tell whether a judged pack may go to the tray: the right one, or another with a reason."""
    is_let = although is not None and scan.verdict in CAN_BE_OVERRULED
    return scan.item is not None and (scan.verdict == "right" or is_let)


def bring_scanned(
    unit: Unit, reference: str, body: ScanBody | NamedPackBody, although: str | None = None
) -> BroughtOut:
    """Judge a scanned pack, and bring it to the case's tray when it is the right one.

    Parameters
    ----------
    body
        The code, or REF and lot typed in; the case in it is set to this one.
    although
        Why a pack that is not on the pick list is brought.

    Raises
    ------
    BadInput, Conflict, Taken
        When the pack is the right one and cannot be brought all the same.
    """
    scan = judge_scanned(unit, reference, body)
    if not may_be_brought(scan, although):
        return BroughtOut(scan=scan, pack=None)
    pack = _pack_of(unit, reference, scan, None if scan.verdict == "right" else although)
    put_on_tray(unit, reference, pack)
    return BroughtOut(scan=scan, pack=pack)


def _pack_of(unit: Unit, reference: str, scan: ScanOut, although: str | None) -> PackBody:
    """Say which units are meant: those the pick list names first, or else what a shelf has."""
    ref = scan.item.ref if scan.item else ""
    item = require_item(unit, ref, "/ref")
    lots = planner_of(unit).lots_of(item.id or 0, scan.lot, scan.serial)
    if not lots:
        raise NotFound(f"Lot {scan.lot or scan.serial} of {ref} is not in the stock records.")
    meant = {(lot.lot_number, lot.serial, lot.ownership): lot for lot in lots}
    for row in check_case(unit, reference).pick_list:
        lot = meant.get((row.lot, row.serial, row.ownership))
        if row.ref == ref and lot is not None and not row.on_tray:
            place = LocationBody(store=row.store, shelf=row.shelf)
            return _pack(ref, lot, although, place)
    on_shelf = (lot for lot in lots if _is_on_a_shelf(unit, lot))
    return _pack(ref, next(on_shelf, lots[0]), although, None)


def _pack(ref: str, lot: Lot, although: str | None, place: LocationBody | None) -> PackBody:
    return PackBody(
        ref=ref,
        lot=lot.lot_number or None,
        serial=lot.serial or None,
        ownership=lot.ownership,
        at=place,
        although=although,
    )


def _is_on_a_shelf(unit: Unit, lot: Lot) -> bool:
    return any(place.kind == "shelf" for place in _places_of(unit, lot))


def aloud_out(unit: Unit, reference: str, named: PackOutcomeBody | PackBody) -> AloudOut:
    """Return what is read aloud of a pack on the tray before it is opened.

    Type, size, side, system, use-by date and sterility. Source: NatSSIPs 2015, 4.10.2.

    Raises
    ------
    NotFound
        When this pack was never on the tray.
    """
    same = [one for one in tray_of(unit, reference).packs if _is_same(one, named)]
    found = max(same, key=lambda one: one.open, default=None)
    if found is None:
        raise NotFound(
            f"{named.ref} {named.lot or named.serial} is not on the tray of {reference}."
        )
    item = require_item(unit, found.ref)
    lot = planner_of(unit).find_lot(item_key(item), found.lot, found.serial, found.ownership)
    return AloudOut(
        **found.model_dump(exclude={"picked", "reusable"}),
        kind=item.kind,
        side=item.side or "",
        sterility=lot.sterility if lot is not None else "unknown",
        reusable=item.reusable,
    )


def _is_same(one: PackOut, named: PackOutcomeBody | PackBody) -> bool:
    key = (named.ref, named.lot or "", named.serial or "", named.ownership)
    return (one.ref, one.lot, one.serial, one.ownership) == key


def fate_unless_said(tray: TrayOut, pack: PackOut) -> Literal["return", "reprocess"]:
    """Return what becomes of what is left on a tray when nobody says it of each.

    A set that has been in theatre is sent to be reprocessed: unless somebody says otherwise, it has
    been opened. Packs go back to their shelves.
    """
    return "reprocess" if pack.reusable and tray.was_in_theatre else "return"


def return_all_packs(unit: Unit, reference: str) -> SettledOut:
    """Put everything that is still on the tray back on its shelf, and opened sets where they go."""
    went_back, tray = 0, tray_of(unit, reference)
    for one in tray.packs:
        if one.open:
            body = PackOutcomeBody(
                ref=one.ref,
                lot=one.lot or None,
                serial=one.serial or None,
                ownership=one.ownership,
                fate=fate_unless_said(tray, one),
                quantity=one.open,
            )
            record_pack_outcome(unit, reference, body)
            went_back += one.open
    return SettledOut(tray=tray_of(unit, reference), went_back=went_back)
