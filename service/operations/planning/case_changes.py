"""A case from its first entry on: add, change, plan, cancel; its holds follow at once."""

from datetime import date

from service.errors import BadInput, Duplicate, FieldFault
from service.operations.cases.lookup import case_columns, get_case, refuse_ended, require_case
from service.operations.cases.plans import store_plan
from service.operations.holds.conflicts import rehold_changed_cases
from service.operations.holds.holds import release_case, tell_case
from service.operations.planner import planner_of
from service.operations.work import Unit, require_version
from service.schemas.cases import CaseBody, CaseFields, CaseOut, PlanBody
from service.storage.tables import PUT_OFF, SurgicalCase


def add_case(unit: Unit, body: CaseBody) -> CaseOut:
    """Add a case to a list; the list is made when it is the first case on it."""
    if planner_of(unit).find_case(body.reference) is not None:
        raise Duplicate(
            f"Case {body.reference} already exists.",
            faults=[FieldFault("/reference", "this reference is already in use")],
        )
    refuse_past(unit, body.list_date)
    row = SurgicalCase(site_id=unit.site_id, reference=body.reference, **case_columns(unit, body))
    unit.session.add(row)
    unit.session.flush()
    return get_case(unit, body.reference)


def change_case(unit: Unit, reference: str, body: CaseFields, version: int) -> CaseOut:
    """Change a case that has not been changed since it was read; it may go to another list."""
    row = require_case(unit, reference)
    require_version(row.version, version, f"Case {reference}")
    _refuse_closed(row)
    refuse_past(unit, body.list_date)
    planned = row.starts_at
    row.sqlmodel_update(case_columns(unit, body))
    row.version += 1
    if row.status == "in_theatre" and row.starts_at > max(planned, unit.now):
        until = f"{unit.local(row.starts_at):%Y-%m-%d %H:%M}"
        tell_case(unit, row, PUT_OFF, f"to {until}, after it had begun")
    unit.session.flush()
    rehold_changed_cases(unit, [reference], "the case was changed")
    return get_case(unit, reference)


def make_plan(unit: Unit, reference: str, body: PlanBody, version: int) -> CaseOut:
    """Store a new revision of a case's plan."""
    case = require_case(unit, reference)
    require_version(case.version, version, f"Case {reference}")
    _refuse_closed(case)
    store_plan(unit, case, body)
    case.version += 1
    unit.session.flush()
    rehold_changed_cases(unit, [reference], "planned again")
    return get_case(unit, reference)


def cancel_case(unit: Unit, reference: str, version: int) -> CaseOut:
    """Take a case off its list; nothing is promised to it any more.

    Sets it had in theatre stay its own until somebody says what became of them.
    """
    row = require_case(unit, reference)
    require_version(row.version, version, f"Case {reference}")
    _refuse_closed(row)
    has_begun = row.status == "in_theatre"
    row.status = "cancelled"
    row.version += 1
    release_case(unit, row, "the case was cancelled", keeps_sets=has_begun)
    return get_case(unit, reference)


def _refuse_closed(case: SurgicalCase) -> None:
    # A cancelled case may be planned again.
    refuse_ended(case, "its record cannot be changed", ended={"closed"})


def refuse_past(unit: Unit, day: date) -> None:
    """Refuse to add or move a case to a day that is over."""
    if day < unit.today:
        reason = f"{day} is in the past; today is {unit.today}"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/list_date", reason)])
