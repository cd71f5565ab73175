"""What if, for one case: see it with one more unit, or with another size than was measured."""

from service.errors import BadInput, FieldFault
from service.operations.case_life import change_case
from service.operations.cases import get_case
from service.operations.plan_tries import view_case
from service.operations.schemas.case_what_if import CaseWhatIfBody
from service.operations.schemas.cases import CaseFields
from service.operations.schemas.plan_path import CaseView
from service.operations.schemas.what_if import WhatIfBody
from service.operations.unit import Unit
from service.operations.what_if import what_if

__all__ = ["what_if_case"]


def what_if_case(unit: Unit, reference: str, body: CaseWhatIfBody) -> CaseView:
    """Show a case as it would be; the caller undoes everything this writes.

    Raises
    ------
    BadInput
        When nothing is to be tried, the item is not in the catalogue, or the case was on a past
        day.
    """
    measures = body.model_dump(exclude={"add_units"}, exclude_none=True)
    if not measures and not body.add_units:
        fault = FieldFault("", "say which unit to add, or which measure is another")
        raise BadInput("There is nothing to try.", faults=[fault])
    case = get_case(unit, reference)
    if measures:
        facts = case.model_dump(include=set(CaseFields.model_fields))
        facts |= {"starts": case.starts_at.time(), "ends": case.ends_at.time()}
        facts["measurements"] |= measures
        change_case(unit, reference, CaseFields.model_validate(facts), case.version)
    what_if(unit, case.list_date, WhatIfBody(add_units=body.add_units))
    return view_case(unit, reference)
