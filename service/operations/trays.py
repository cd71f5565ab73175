"""The tray of a case: packs scanned to it, and what became of each.

prepared → in theatre → closed. A case is closed when every pack is implanted, wasted or back.
"""

from service.errors import BadInput, Conflict, FieldFault
from service.operations.cases import the_case
from service.operations.catalogue import the_item
from service.operations.checks import check_case
from service.operations.copies import copies_free
from service.operations.fitness import refuse_unfit
from service.operations.holds import IN_TRAY, OPEN_STATUSES, release_case
from service.operations.ledger import taken
from service.operations.planner import planner_of
from service.operations.schemas.ledger import PackBody, PackFate, PackOut, TrayOut
from service.operations.stock import find_place, item_key
from service.operations.tray_moves import bring_pack, settle
from service.operations.unit import Unit
from service.operations.versions import require_version
from service.storage.queries import packs, stock
from service.storage.tables import (
    Balance,
    Hold,
    Item,
    Location,
    Lot,
    SurgicalCase,
)

__all__ = ["pick_pack", "put_on_tray", "set_status", "settle_pack", "tray_of"]

#: Where a case may go from each status.
_NEXT = {
    "planned": {"prepared"},
    "prepared": {"in_theatre", "closed"},
    "in_theatre": {"closed"},
}


def tray_of(unit: Unit, reference: str) -> TrayOut:
    """Give every pack scanned to a case and what has become of it."""
    case = the_case(unit, reference)
    rows = packs.of_case(unit.session, case.id or 0)
    found = [
        PackOut.model_validate(
            {
                **row._asdict(),
                "lot": row.lot_number,
                "open": row.picked - row.returned - row.implanted - row.wasted,
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
    )


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
    item = the_item(unit, body.ref, "/ref")
    lot = stock.find_lot(
        unit.session, item_key(item), body.lot or "", body.serial or "", body.ownership
    )
    if lot is None:
        reason = f"there is no such lot of {body.ref} here; receive it first"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/lot", reason)])
    home = _home(unit, case, lot, body)
    refuse_unfit(unit, case, item, lot, home)
    _require_there(unit, lot, home, body.quantity)
    _require_wanted(unit, case, item, lot, home, body)
    _require_own_or_free(unit, case, item, lot, home, body.quantity)
    bring_pack(unit, case, item, lot, home, body)
    if case.status == "planned":
        case.status = "prepared"
        case.version += 1
    unit.session.flush()


def _open_case(unit: Unit, reference: str) -> SurgicalCase:
    case = the_case(unit, reference)
    if case.status not in OPEN_STATUSES:
        raise Conflict(f"Case {reference} is {case.status}; nothing can be brought to it any more.")
    return case


def _home(unit: Unit, case: SurgicalCase, lot: Lot, body: PackBody) -> Location:
    """Find the shelf the pack comes from: the one said, or held, or else the first that has it."""
    if body.at is not None:
        home = find_place(unit, body.at, "/at")
    else:
        held = planner_of(unit).holds_in_force(case_id=case.id, lot_id=lot.id)
        places = [hold.location_id for hold in held if hold.role != IN_TRAY]
        places += stock.places_of(unit.session, unit.site_id, lot.id or 0)
        found = [unit.session.get_one(Location, key) for key in places]
        if not found:
            reason = "no shelf has any of this lot; count the shelf or receive the pack"
            raise BadInput("Nothing was saved.", faults=[FieldFault("/lot", reason)])
        home = next((row for row in found if row.kind == "shelf"), found[0])
    return home


def _require_there(unit: Unit, lot: Lot, home: Location, quantity: int) -> None:
    """Refuse what is on a tray already, and more than is there."""
    if home.kind != "shelf":
        reason = "this pack is on a tray already; leave it"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/lot", reason)])
    if planner_of(unit).quantity_at(lot.id or 0, home.id or 0) < quantity:
        reason = f"{home.store}, {home.shelf} has fewer of this lot than that"
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
        reason = "it is not on the pick list; say why it is brought although it is not"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/ref", reason)])


def _require_own_or_free(  # noqa: PLR0917 - who wants what from where
    unit: Unit, case: SurgicalCase, item: Item, lot: Lot, home: Location, quantity: int
) -> None:
    """Refuse units that are another case's."""
    if item.reusable:
        if copies_free(unit, case, item, lot.id or 0, home.id or 0) < quantity:
            raise taken(unit, lot, home)
        return
    own = sum(hold.quantity for hold in _own_holds(unit, case, lot, home))
    balance = unit.session.get_one(Balance, (lot.id, home.id), populate_existing=True)
    if own + balance.quantity - balance.held < quantity:
        raise taken(unit, lot, home)


def _own_holds(unit: Unit, case: SurgicalCase, lot: Lot, home: Location) -> list[Hold]:
    found = planner_of(unit).holds_in_force(case_id=case.id, lot_id=lot.id, location_id=home.id)
    return [hold for hold in found if hold.role != IN_TRAY]


def settle_pack(unit: Unit, reference: str, body: PackFate) -> TrayOut:
    """Say what became of a pack of the tray: implanted, opened and wasted, or returned.

    A consigned pack that is used becomes the hospital's own at that moment. A backup that others
    counted on is gone when it is opened: those cases are told, and other units looked for.
    """
    case = the_case(unit, reference)
    item = the_item(unit, body.ref, "/ref")
    lot = stock.find_lot(
        unit.session, item_key(item), body.lot or "", body.serial or "", body.ownership
    )
    found = packs.open_packs(unit.session, case.id or 0, lot.id or 0) if lot is not None else []
    pack = next(iter(found), None)
    if lot is None or pack is None:
        reason = "this pack was not scanned to the tray, or is accounted for already"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/lot", reason)])
    left = pack.picked - pack.returned - pack.implanted - pack.wasted
    _refuse_fate(case, item, left, body)
    settle(unit, case, item, lot, pack, body)
    unit.session.flush()
    return tray_of(unit, reference)


def _refuse_fate(case: SurgicalCase, item: Item, left: int, body: PackFate) -> None:
    if body.quantity > left:
        reason = f"only {left} of this pack are unaccounted for"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/quantity", reason)])
    if body.fate == "waste" and body.reason is None:
        reason = "say why it was wasted, such as dropped or wrong size opened"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/reason", reason)])
    if body.fate == "implant" and item.reusable:
        reason = "an instrument set is not implanted; return it"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/fate", reason)])
    if body.fate == "implant" and case.status not in OPEN_STATUSES:
        raise Conflict(f"Case {case.reference} is {case.status}; nothing is implanted in it.")


def set_status(unit: Unit, reference: str, status: str, version: int) -> TrayOut:
    """Take a case one step on; it is closed only when every pack is accounted for."""
    case = the_case(unit, reference)
    require_version(case.version, version, f"Case {reference}")
    if status not in _NEXT.get(case.status, set()):
        raise Conflict(f"Case {reference} is {case.status}; it cannot become {status} from there.")
    if status == "closed":
        tray = tray_of(unit, reference)
        if tray.unaccounted:
            missing = ", ".join(
                f"{pack.open} × {pack.ref} {pack.lot or pack.serial}"
                for pack in tray.packs
                if pack.open
            )
            raise Conflict(
                f"{tray.unaccounted} packs are unaccounted for: {missing}. "
                "Say for each whether it was implanted, wasted or returned.",
                facts={"unaccounted": tray.unaccounted},
            )
    case.status = status
    if status == "closed":
        release_case(unit, case, "the case was closed")
    case.version += 1
    unit.session.flush()
    return tray_of(unit, reference)
