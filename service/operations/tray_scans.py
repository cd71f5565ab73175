"""Scan packs to the tray of a case: the verdict and the pick in one transaction."""

from service.core.items import describe_size
from service.errors import NotFound
from service.operations.cases import the_case
from service.operations.catalogue import the_item
from service.operations.checks import check_case
from service.operations.codes import facts_of
from service.operations.planner import planner_of
from service.operations.scans import name_pack, scan_pack
from service.operations.schemas.ledger import PackBody, PackFate, PackOut
from service.operations.schemas.scans import NamedPackBody, ScanBody, ScanOut
from service.operations.schemas.stock import LocationBody
from service.operations.schemas.tray import AloudOut, BroughtOut, SettledOut
from service.operations.stock import item_key
from service.operations.trays import put_on_tray, settle_pack, tray_of
from service.operations.unit import Unit
from service.storage.queries import stock
from service.storage.tables import Location, Lot

__all__ = [
    "CAN_BE_OVERRULED",
    "all_back",
    "bring_scanned",
    "judge_scanned",
    "may_be_brought",
    "say_aloud",
]

#: What may be brought all the same when somebody says why. What must not be used is not among it.
CAN_BE_OVERRULED = frozenset({"wrong_size", "wrong_item", "no_pick_list"})


def judge_scanned(unit: Unit, reference: str, body: ScanBody | NamedPackBody) -> ScanOut:
    """Judge a pack for a case, by its code or by what was read on it; nothing is changed."""
    asked = body.model_copy(update={"case": reference})
    return scan_pack(unit, asked) if isinstance(asked, ScanBody) else name_pack(unit, asked)


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
    item = the_item(unit, ref, "/ref")
    lots = planner_of(unit).lots_of(item.id or 0, scan.lot, scan.serial)
    if not lots:
        raise NotFound(f"No lot {scan.lot or scan.serial} of {ref} is on record here.")
    meant = {(lot.lot_number, lot.serial, lot.ownership): lot for lot in lots}
    for row in check_case(unit, reference).pick_list:
        lot = meant.get((row.lot, row.serial, row.ownership))
        if row.ref == ref and lot is not None and row.shelf != reference:
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
    keys = stock.places_of(unit.session, unit.site_id, lot.id or 0)
    return any(unit.session.get_one(Location, key).kind == "shelf" for key in keys)


def say_aloud(unit: Unit, reference: str, named: PackFate | PackBody) -> AloudOut:
    """Give what is read aloud of a pack on the tray before it is opened.

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
    item = the_item(unit, found.ref)
    lot = stock.find_lot(unit.session, item_key(item), found.lot, found.serial, found.ownership)
    facts = facts_of(item)
    return AloudOut(
        **found.model_dump(exclude={"picked"}),
        kind=item.kind,
        size=describe_size(facts),
        side=item.side or "",
        system=item.system or "",
        sterility=lot.sterility if lot is not None else "unknown",
        reusable=item.reusable,
    )


def _is_same(one: PackOut, named: PackFate | PackBody) -> bool:
    key = (named.ref, named.lot or "", named.serial or "", named.ownership)
    return (one.ref, one.lot, one.serial, one.ownership) == key


def all_back(unit: Unit, reference: str) -> SettledOut:
    """Put everything that is still on the tray back on its shelf."""
    the_case(unit, reference)
    went_back = 0
    for one in tray_of(unit, reference).packs:
        if one.open:
            body = PackFate(
                ref=one.ref,
                lot=one.lot or None,
                serial=one.serial or None,
                ownership=one.ownership,
                fate="return",
                quantity=one.open,
            )
            settle_pack(unit, reference, body)
            went_back += one.open
    return SettledOut(tray=tray_of(unit, reference), went_back=went_back)
