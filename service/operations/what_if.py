"""What if: see a list day again with a change that is not saved."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, timedelta

from service.errors import BadInput, FieldFault
from service.operations.case_life import add_case, change_case, make_plan
from service.operations.cases import get_case, the_case
from service.operations.catalogue import the_item
from service.operations.checks import check_day
from service.operations.holds import hold_cases
from service.operations.schemas.cases import CaseFields
from service.operations.schemas.checks import CheckOut
from service.operations.schemas.what_if import WhatIfBody
from service.operations.stock import item_key
from service.operations.unit import Unit
from service.storage.queries import cases, stock
from service.storage.tables import Location, Lot

__all__ = ["what_if"]

#: Units of a what-if do not expire before the lists that are looked at.
_LASTS = timedelta(days=365)


def what_if(unit: Unit, day: date, body: WhatIfBody) -> CheckOut:
    """Check a day as it would be; the caller undoes everything this writes.

    Promises are made anew in order of start, for the moved case on its new day, too: the answer
    is what a fresh plan of the days would give.
    """
    if body.add_units:
        place = Location(site_id=unit.site_id, store="What if", shelf="borrowed")
        unit.session.add(place)
        unit.session.flush()
        for number, units in enumerate(body.add_units):
            item = the_item(unit, units.ref, f"/add_units/{number}/ref")
            lot = Lot(
                item_id=item_key(item),
                lot_number=f"WHAT-IF-{number + 1}",
                use_by=None if item.reusable else day + _LASTS,
            )
            unit.session.add(lot)
            unit.session.flush()
            line = {
                "at": unit.now,
                "kind": "receive",
                "lot_id": lot.id,
                "from_location_id": None,
                "to_location_id": place.id,
                "quantity": units.quantity,
                "reason": "what if",
                "actor": unit.actor,
            }
            stock.post(unit.session, [line])
    if body.move_case is not None:
        _move(unit, body)
    if body.add_case is not None:
        with _inside("/add_case/case"):
            add_case(unit, body.add_case.case)
        version = the_case(unit, body.add_case.case.reference).version
        with _inside("/add_case/plan"):
            make_plan(unit, body.add_case.case.reference, body.add_case.plan, version)
    moved_to = body.move_case.list_date if body.move_case is not None else None
    _hold_again(unit, max(day, moved_to or day))
    return check_day(unit, day)


def _move(unit: Unit, body: WhatIfBody) -> None:
    move = body.move_case
    if move is None:
        return
    known = get_case(unit, move.case)
    facts = known.model_dump(include=set(CaseFields.model_fields))
    facts |= {"starts": move.starts, "ends": move.ends}
    if move.list_date is not None:
        facts["list_date"] = move.list_date
    if move.theatre is not None:
        facts["theatre"] = move.theatre
    if move.ends <= move.starts:
        fault = FieldFault("/move_case/ends", "the case must end after it starts")
        raise BadInput("The case cannot be moved like that.", faults=[fault])
    with _inside("/move_case"):
        change_case(unit, move.case, CaseFields.model_validate(facts), known.version)


@contextmanager
def _inside(pointer: str) -> Iterator[None]:
    """Say of a fault in which part of the body it is."""
    try:
        yield
    except BadInput as error:
        faults = [FieldFault(pointer + one.pointer, one.reason) for one in error.faults]
        raise BadInput(error.detail, faults=faults, facts=error.facts) from error


def _hold_again(unit: Unit, last: date) -> None:
    """Hold for every coming case anew, in order of start, as a fresh plan of the days would."""
    pairs = cases.cases_between(unit.session, unit.site_id, unit.today, last)
    hold_cases(unit, [case.reference for _, case in pairs], "what if")
