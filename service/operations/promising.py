"""Promise particular units to a case, take them over for an urgent one, or let go."""

from service.errors import BadInput, Conflict, FieldFault
from service.operations.cases import the_case
from service.operations.catalogue import the_item
from service.operations.copies import copies_free, hold_copies
from service.operations.fitness import refuse_unfit
from service.operations.following import rehold, replan
from service.operations.giving_way import fits, make_room
from service.operations.holds import BY_HAND, OPEN_STATUSES, claim_of, update_held
from service.operations.ledger import taken
from service.operations.planner import planner_of
from service.operations.schemas.ledger import HoldBody, HoldList, HoldOut
from service.operations.stock import find_place, item_key
from service.operations.unit import Unit
from service.storage.queries import holds, stock
from service.storage.tables import Hold, Item, Location, Lot, OperatingList, SurgicalCase

__all__ = ["holds_of", "promise", "refresh_holds"]


def holds_of(unit: Unit, reference: str) -> HoldList:
    """Give everything promised to a case."""
    return _answer(unit, the_case(unit, reference), [])


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
    replan(unit, [reference], "held anew")
    return holds_of(unit, reference)


def promise(unit: Unit, body: HoldBody) -> HoldList:
    """Promise units of one lot on one shelf to a case.

    Raises
    ------
    BadInput
        When the shelf has too few, or they must not be used for this case.
    Taken
        When they are promised to others and were not to be taken over; names each case and list.
    """
    case = _open_case(unit, body.case)
    item = the_item(unit, body.ref, "/ref")
    place = find_place(unit, body.at, "/at")
    lot = stock.find_lot(
        unit.session, item_key(item), body.lot or "", body.serial or "", body.ownership
    )
    there = planner_of(unit).quantity_at(lot.id or 0, place.id or 0) if lot else 0
    if lot is None or place.kind != "shelf" or there < body.quantity:
        reason = f"{place.store}, {place.shelf} has {there} of this lot to promise"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/quantity", reason)])
    refuse_unfit(unit, case, item, lot, place)
    if item.reusable:
        _promise_copies(unit, case, item, lot, place, body.quantity)
        return _answer(unit, case, [])
    return _answer(unit, case, _promise_units(unit, case, lot, place, body))


def _open_case(unit: Unit, reference: str) -> SurgicalCase:
    case = the_case(unit, reference)
    if case.status not in OPEN_STATUSES:
        raise Conflict(f"Case {reference} is {case.status}; nothing is kept for it.")
    return case


def _promise_copies(  # noqa: PLR0917 - which copies, for whom, where
    unit: Unit, case: SurgicalCase, item: Item, lot: Lot, place: Location, quantity: int
) -> None:
    own = planner_of(unit).holds_in_force(case_id=case.id, lot_id=lot.id, location_id=place.id)
    if copies_free(unit, case, item, lot.id or 0, place.id or 0) - len(own) < quantity:
        raise taken(unit, lot, place)
    hold_copies(unit, case, item, lot.id or 0, place.id or 0, quantity)


def _promise_units(
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
    if not fits(unit, lot_id, place_id, claim_of(hold)):
        if not body.take_over:
            raise taken(unit, lot, place)
        if body.reason is None:
            reason = "say why the units are taken over; the cases that lose them are told"
            raise BadInput("Nothing was saved.", faults=[FieldFault("/reason", reason)])
        why = f"taken over for {case.reference}: {body.reason}"
        losers = make_room(unit, case, lot_id, place_id, why, claim_of(hold))
        if not fits(unit, lot_id, place_id, claim_of(hold)):
            raise Conflict(f"Case {case.reference} holds these units itself already.")
    unit.session.add(hold)
    update_held(unit, [(lot_id, place_id)])
    return rehold(unit, losers)
