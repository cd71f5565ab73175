"""A use-by date typed wrongly is put right on its lot, and what rests on it checked again."""

from service.core.lots import use_by_fault
from service.errors import BadInput, FieldFault
from service.operations.cases.lookup import OPEN_STATUSES
from service.operations.catalogue import require_item
from service.operations.holds.holds import hold_lacking, tell_case
from service.operations.locations import item_key
from service.operations.planner import planner_of
from service.operations.planning.item_edits import at_site, resting_on
from service.operations.work import Unit
from service.schemas.stock import LotOut, UseByBody
from service.storage.queries import stock
from service.storage.tables import Lot


def correct_use_by(unit: Unit, body: UseByBody) -> LotOut:
    """Put the use-by date of a lot right, also when none of it is left.

    Cases that count on units of the lot are told, and the cases that ask for the item are checked
    again, at every site: a lot has one date wherever its units are. A date in the past is a fact
    like any other; the units are expired then.

    Raises
    ------
    BadInput
        When there is no such lot, it has this date already, or a sterile pack would be without.
    """
    item = require_item(unit, body.ref, "/ref")
    lot = stock.find_lot(
        unit.session, item_key(item), body.lot or "", body.serial or "", body.ownership
    )
    if lot is None:
        reason = f"this lot of {body.ref} ({body.ownership}) is not in the stock records"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/lot", reason)])
    if lot.use_by == body.use_by:
        reason = f"this lot is already recorded with use-by date {lot.use_by or 'none'}"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/use_by", reason)])
    fault = use_by_fault(
        supplied_sterile=item.supplied_sterile,
        reusable=item.reusable,
        sterility=lot.sterility,
        use_by=body.use_by,
    )
    if fault is not None:
        raise BadInput("Nothing was saved.", faults=[FieldFault("/use_by", fault)])
    says = (
        f"The use-by date of {item.ref} {lot.lot_number or lot.serial} was corrected from "
        f"{lot.use_by or 'none'} to {body.use_by or 'none'}: {body.reason}"
    )
    lot.use_by = body.use_by
    unit.session.info.setdefault("posted_lots", set()).add(lot.id or 0)
    unit.session.info.setdefault("corrected", []).append(says)
    unit.session.flush()
    _check_again(unit, item.ref, lot, says)
    for site in stock.other_sites(unit.session, unit.site_id):
        with at_site(unit, site) as there:
            _check_again(there, item.ref, lot, says)
    return LotOut(
        ref=item.ref,
        lot=lot.lot_number,
        serial=lot.serial,
        ownership=lot.ownership,
        use_by=lot.use_by,
        return_by=lot.return_by,
        sterility=lot.sterility,
    )


def _check_again(unit: Unit, ref: str, lot: Lot, says: str) -> None:
    """Tell a site's cases that count on units of a lot, and check who asks for the item again."""
    planner = planner_of(unit)
    holding = {one.case for one in planner.claims if one.key.startswith(f"{lot.id}@")}
    for name in sorted(holding):
        case = planner.find_case(name)
        if case is not None and case.status in OPEN_STATUSES:
            tell_case(unit, case, "use-by date", says)
    hold_lacking(unit, sorted(resting_on(unit, {ref}).cases), says)
