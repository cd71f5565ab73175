"""Operating lists from a file: cases with their measurements and plans."""

from collections.abc import Sequence
from dataclasses import dataclass

from pydantic import ValidationError

from service.errors import BadInput, Conflict, Forbidden
from service.exchange.sheets.columns import OperatingListRow
from service.operations.cases.lookup import case_columns, refuse_ended
from service.operations.cases.plans import store_plan
from service.operations.holds.conflicts import rehold_changed_cases
from service.operations.imports.plan import ImportPlan
from service.operations.people.permissions import PLAN, require
from service.operations.planning.case_changes import refuse_past
from service.operations.work import Unit
from service.schemas.cases import CaseFields, FindingsBody, MeasurementsBody, PlanBody
from service.schemas.faults import faults_of
from service.storage.queries import cases
from service.storage.tables import SurgicalCase


@dataclass(frozen=True, slots=True)
class _CaseEntry:
    """A row that can be written."""

    reference: str
    fields: CaseFields
    plan: PlanBody | None


def plan_lists(unit: Unit, rows: Sequence[tuple[int, OperatingListRow]]) -> ImportPlan:
    """Compare operating lists with the cases on record."""
    plan = ImportPlan()
    touched: list[str] = []
    for number, row in rows:
        if "/" in row.case_reference:
            plan.fault(number, "case_reference", "a case reference cannot contain a slash")
            continue
        try:
            refuse_past(unit, row.list_date)
            entry = _entry(row)
            if _write(unit, entry, plan):
                touched.append(entry.reference)
        except ValidationError as error:
            for fault in faults_of(error.errors()):
                plan.fault(number, fault.pointer.rpartition("/")[2] or "row", fault.reason)
        except BadInput as error:
            for fault in error.faults:
                plan.fault(number, fault.pointer.split("/")[1], fault.reason)
        except Forbidden as error:
            plan.fault(number, "primary", f"the row changes the plan of the case. {error.detail}")
        except Conflict as error:
            plan.fault(number, "case_reference", error.detail)
    plan.later(rehold_changed_cases, unit, touched, "the list was imported again")
    return plan


def _entry(row: OperatingListRow) -> _CaseEntry:
    fields = CaseFields(
        list_date=row.list_date,
        theatre=row.theatre,
        starts=row.starts,
        ends=row.ends,
        twice=row.twice,
        position=row.position,
        side=row.side,
        sex=row.sex,
        fracture_class=row.fracture_class,
        class_year=row.class_year,
        findings=FindingsBody.model_validate(
            {name: getattr(row, name) for name in FindingsBody.model_fields}
        ),
        measurements=MeasurementsBody.model_validate(
            {name: getattr(row, name) for name in MeasurementsBody.model_fields}
        ),
    )
    plan = None
    if row.primary is not None:
        plan = PlanBody(primary=row.primary, alternates=list(row.alternates))
    return _CaseEntry(row.case_reference, fields, plan)


def _write(unit: Unit, entry: _CaseEntry, plan: ImportPlan) -> bool:
    """Write one case inside a savepoint, so that a faulty row leaves nothing behind.

    Returns
    -------
    bool
        Whether the row said anything new.

    Raises
    ------
    Forbidden
        When the row plans, and whoever brings it may not.
    Conflict
        When it changes a case that has ended.
    """
    with unit.session.begin_nested():
        found = cases.find_case(unit.session, unit.site_id, entry.reference)
        row = None if found is None else found[0]
        columns = case_columns(unit, entry.fields)
        is_new = row is None
        if row is None:
            row = SurgicalCase(site_id=unit.site_id, reference=entry.reference, **columns)
            unit.session.add(row)
            unit.session.flush()
        differs = any(getattr(row, name) != value for name, value in columns.items())
        if differs:
            row.sqlmodel_update(columns)
        revised = entry.plan is not None and store_plan(unit, row, entry.plan) is not None
        if revised:
            require(unit.caller, PLAN)
        if not is_new and (differs or revised):
            refuse_ended(row, "a file cannot change it")
            row.version += 1
    if is_new or differs or revised:
        unit.session.info.setdefault("cases", set()).add(entry.reference)
    plan.added += is_new
    plan.changed += not is_new and (differs or revised)
    plan.unchanged += not is_new and not differs and not revised
    return is_new or differs or revised
