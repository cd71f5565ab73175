"""Promise particular units to a case, take them over for an urgent one, or let go."""

from collections.abc import Callable, Mapping
from dataclasses import replace

from service.core.cover.units import IN_DOUBT, Reason, StockUnits, unusable_reasons
from service.errors import BadInput, Conflict, FieldFault
from service.operations.cases.lookup import refuse_ended, require_case
from service.operations.catalogue import require_item
from service.operations.holds.conflicts import (
    claim_fits,
    rehold_cases,
    rehold_changed_cases,
    release_and_notify,
    release_conflicting_holds,
    taken_error,
)
from service.operations.holds.holds import claim_of, update_held
from service.operations.holds.sets import copies_free, hold_copies, unserved_copy_holds
from service.operations.locations import find_place, item_key
from service.operations.planner import planner_of
from service.operations.stock_units import REPROCESSING, active_recall, naming_recall, units_at
from service.operations.work import Unit
from service.schemas.trays import HoldBody, HoldList, HoldOut
from service.storage.queries import holds
from service.storage.tables import BY_HAND, Hold, Item, Location, Lot, OperatingList, SurgicalCase


def holds_of(unit: Unit, reference: str) -> HoldList:
    """Return everything promised to a case."""
    return _answer(unit, require_case(unit, reference), [])


def _answer(unit: Unit, case: SurgicalCase, reopened: list[str]) -> HoldList:
    return HoldList(
        holds=[
            HoldOut(
                case=case.reference,
                ref=row.ref,
                description=row.description,
                lot=row.lot_number,
                serial=row.serial,
                use_by=row.use_by,
                store=row.store,
                shelf=row.shelf,
                quantity=row.quantity,
                first_use=row.stays,
                shared=row.share_group is not None,
                made_at=unit.local(row.made_at),
                actor=row.actor,
            )
            for row in holds.of_case(unit.session, case.id or 0)
        ],
        reopened=reopened,
    )


def refresh_holds(unit: Unit, reference: str) -> HoldList:
    """Hold anew what a case's plan asks for, from the stock as it is now."""
    _open_case(unit, reference)
    rehold_changed_cases(unit, [reference], "reserved again")
    return holds_of(unit, reference)


def reserve_units(unit: Unit, body: HoldBody) -> HoldList:
    """Promise units of one lot on one shelf to a case.

    Raises
    ------
    BadInput
        When the shelf has too few, or they must not be used for this case.
    Taken
        When they are promised to others and were not to be taken over; names each case and list.
    """
    case = _open_case(unit, body.case)
    item = require_item(unit, body.ref, "/ref")
    place = find_place(unit, body.at, "/at")
    lot = planner_of(unit).find_lot(
        item_key(item), body.lot or "", body.serial or "", body.ownership
    )
    there = planner_of(unit).quantity_at(lot.id or 0, place.id or 0) if lot else 0
    if lot is None or place.kind != "shelf" or there < body.quantity:
        reason = f"{place.store}, {place.shelf} has {there} of this lot to reserve"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/quantity", reason)])
    refuse_unfit(unit, case, item, lot, place)
    if item.reusable:
        return _answer(unit, case, _reserve_copies(unit, case, item, lot, place, body))
    return _answer(unit, case, _reserve_lot(unit, case, lot, place, body))


def _open_case(unit: Unit, reference: str) -> SurgicalCase:
    case = require_case(unit, reference)
    refuse_ended(case, "nothing can be reserved for it")
    return case


def _reserve_copies(  # noqa: PLR0917 - which copies, for whom, where
    unit: Unit, case: SurgicalCase, item: Item, lot: Lot, place: Location, body: HoldBody
) -> list[str]:
    """Hold copies of a set for a case; gives the cases that lost theirs to it."""
    lot_id, place_id = lot.id or 0, place.id or 0
    own = planner_of(unit).holds_in_force(case_id=case.id, lot_id=lot_id, location_id=place_id)
    if copies_free(unit, case, item, lot_id, place_id) - len(own) >= body.quantity:
        hold_copies(unit, case, item, lot_id, place_id, body.quantity)
        return []
    why = _require_taken_over(unit, case, lot, place, body)
    hold_copies(unit, case, item, lot_id, place_id, body.quantity)
    short = unserved_copy_holds(unit, lot_id, place_id, own=case.id)
    if any(hold.case_id == case.id for hold in short):
        raise Conflict(f"These units are already reserved for case {case.reference}.")
    return rehold_cases(unit, release_and_notify(unit, short, why))


def _require_taken_over(
    unit: Unit, case: SurgicalCase, lot: Lot, place: Location, body: HoldBody
) -> str:
    """Refuse units that are promised to others, unless they are taken over; gives why they are."""
    if not body.take_over:
        raise taken_error(unit, lot, place)
    if body.reason is None:
        reason = "enter the reason for taking the units; the cases that lose them are notified"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/reason", reason)])
    return f"reassigned to {case.reference}: {body.reason}"


def _reserve_lot(
    unit: Unit, case: SurgicalCase, lot: Lot, place: Location, body: HoldBody
) -> list[str]:
    """Hold units for a case; gives the cases that lost theirs to it."""
    row = unit.session.get_one(OperatingList, case.list_id)
    lot_id, place_id = lot.id or 0, place.id or 0
    hold = Hold(
        case_id=case.id or 0,
        lot_id=lot_id,
        location_id=place_id,
        quantity=body.quantity,
        list_date=row.list_date,
        list_id=row.id or 0,
        stays=True,
        from_at=case.starts_at,
        until_at=case.ends_at,
        role=BY_HAND,
        made_at=unit.now,
        actor=unit.actor,
    )
    losers: list[SurgicalCase] = []
    if not claim_fits(unit, lot_id, place_id, claim_of(hold, unit.zone)):
        why = _require_taken_over(unit, case, lot, place, body)
        losers = release_conflicting_holds(
            unit, case, lot_id, place_id, why, claim_of(hold, unit.zone)
        )
        if not claim_fits(unit, lot_id, place_id, claim_of(hold, unit.zone)):
            raise Conflict(f"These units are already reserved for case {case.reference}.")
    unit.session.add(hold)
    update_held(unit, [(lot_id, place_id)])
    return rehold_cases(unit, losers)


_SAYS: Mapping[str, Callable[[StockUnits, Reason], str]] = {
    "recalled": lambda units, _reason: f"it {units.recall_words}; quarantine it",
    "expires": lambda units, _reason: (
        f"its use-by date is {units.use_by}: do not use it; quarantine it"
    ),
    "quarantined": lambda _units, _reason: "it is in quarantine: leave it",
    "unsterile": lambda _units, _reason: "it is not sterile: have it reprocessed first",
    "return_due": lambda units, _reason: f"it is a loan due back on {units.return_by}",
    "promised": lambda _units, reason: (
        f"it is already on the tray of case {', '.join(reason.cases)}: leave it"
    ),
    "not_here_yet": lambda _units, _reason: (
        "it is in transit from another site: receive it on the Transfers page first"
    ),
    "instrument_set_in_use": lambda units, _reason: (
        "it is being reprocessed: scan it out of sterilisation first"
        if units.away_with == REPROCESSING
        else f"it is with case {units.away_with}: leave it"
    ),
}


def refuse_unfit(unit: Unit, case: SurgicalCase, item: Item, lot: Lot, place: Location) -> None:
    """Refuse a pack that does not count for the case on its list day, or today when that is over.

    Raises
    ------
    BadInput
        Names everything that is wrong with it.
    """
    day = max(unit.local(case.starts_at).date(), unit.today)
    named = (item_key(item), item.supplier, lot.lot_number, lot.serial)
    recall = active_recall(unit, *named)
    units = units_at(item, lot, place, 1, is_recalled=recall is not None)
    if recall is not None and naming_recall(unit, *named) is None:
        units = replace(units, blocked=(*units.blocked, IN_DOUBT))
    faults = [
        FieldFault("/lot", _SAYS[reason.because](units, reason))
        for reason in unusable_reasons(units, day, case=case.reference)
    ]
    if faults:
        raise BadInput("This pack must not be used; nothing was saved.", faults=faults)
