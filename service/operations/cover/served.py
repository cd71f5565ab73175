"""Which coming cases count on units, such as those that have just been booked in."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from service.core.cover.pick_list import pick_rows
from service.operations.cover.check import check_one_case
from service.operations.cover.requirements import case_requirements, check_until
from service.operations.work import Unit
from service.schemas.orders import ReceiptOut

#: How far ahead cases are looked through.
_AHEAD = timedelta(days=14)


@dataclass(frozen=True, slots=True)
class ServedCase:
    """A case that counts on units, with its state as the check has it now."""

    case: str
    list_date: date
    state: str


def cases_served(unit: Unit, receipts: Sequence[ReceiptOut]) -> list[ServedCase]:
    """Return the coming cases whose pick list names what was booked in, the earliest first.

    Parameters
    ----------
    receipts
        What was booked in.

    Returns
    -------
    list of ServedCase
        Empty when no case of the next two weeks counts on any of it.
    """
    brought = {(one.ref, one.lot, one.serial) for one in receipts}
    until = unit.today + _AHEAD
    checked = check_until(unit, until)
    served = []
    for one in case_requirements(unit, until):
        name = one.row.reference
        parcels = [row.parcel for row in pick_rows(checked[name])] if name in checked else []
        if any((each.ref, each.lot or "", each.serial or "") in brought for each in parcels):
            state = check_one_case(unit, name, until).state
            served.append(ServedCase(name, one.operating_list.list_date, state))
    return served
