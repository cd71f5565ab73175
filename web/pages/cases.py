"""A case: what is known, what is planned, what is missing, what to pick."""

from fastapi import APIRouter, Request
from pydantic import ValidationError
from starlette.responses import RedirectResponse, Response

from service.errors import BadInput, FieldFault, ServiceError
from service.operations import case_life, cases, checks
from service.operations.confirming import confirm
from service.operations.events import events_of
from service.operations.faults import faults_of
from service.operations.schemas.cases import CaseBody, CaseFields, FindingsBody, MeasurementsBody
from service.operations.site import site_facts
from service.operations.trays import tray_of
from web.forms import Filled, version_of, whole
from web.render import page, work_of

__all__ = ["router"]

router = APIRouter()

_FINDINGS = tuple(FindingsBody.model_fields)
_MEASUREMENTS = tuple(MeasurementsBody.model_fields)


@router.get("/cases/new")
def new_case(request: Request) -> Response:
    """Show an empty form for a case."""
    today = work_of(request).read(site_facts).today
    values = {"list_date": request.query_params.get("day", str(today)), "position": "1"}
    return page(request, "case_form.html", values=values, faults=(), reference=None)


@router.post("/cases/new")
def add_case(request: Request, values: Filled) -> Response:
    """Add the case a form describes."""
    return _save(request, values, reference=None)


@router.get("/cases/{reference}")
def show_case(request: Request, reference: str) -> Response:
    """Show a case with its pick list."""
    work = work_of(request)
    case = work.read(lambda unit: cases.get_case(unit, reference))
    today = work.read(site_facts).today
    check = None
    if case.status != "cancelled" and case.list_date >= today:
        check = work.read(lambda unit: checks.check_case(unit, reference))
    return page(
        request,
        "case.html",
        case=case,
        check=check,
        tray=work.read(lambda unit: tray_of(unit, reference)),
        events=work.read(lambda unit: events_of(unit, reference)),
    )


@router.post("/cases/{reference}/confirm")
def confirm_backups(request: Request, reference: str, values: Filled) -> Response:
    """Confirm the backups of the plan revision that the page showed."""
    revision, version = whole(values, "plan_revision"), version_of(values)
    work_of(request).write(lambda unit: confirm(unit, reference, revision, version))
    return RedirectResponse(f"/cases/{reference}", status_code=303)


@router.get("/cases/{reference}/edit")
def edit_case(request: Request, reference: str) -> Response:
    """Show the form of a case."""
    case = work_of(request).read(lambda unit: cases.get_case(unit, reference))
    known = case.model_dump(exclude={"findings", "measurements", "plan"})
    known |= case.findings.model_dump() | case.measurements.model_dump()
    known |= {"starts": f"{case.starts_at:%H:%M}", "ends": f"{case.ends_at:%H:%M}"}
    values = {name: "" if value is None else str(value) for name, value in known.items()}
    return page(request, "case_form.html", values=values, faults=(), reference=reference)


@router.post("/cases/{reference}/edit")
def change_case(request: Request, reference: str, values: Filled) -> Response:
    """Change the case as a form describes it."""
    return _save(request, values, reference=reference)


@router.post("/cases/{reference}/cancel")
def cancel_case(request: Request, reference: str, values: Filled) -> Response:
    """Take a case off its list."""
    version = version_of(values)
    work_of(request).write(lambda unit: case_life.cancel_case(unit, reference, version))
    return RedirectResponse(f"/cases/{reference}", status_code=303)


def _save(request: Request, values: dict[str, str], reference: str | None) -> Response:
    try:
        target = _write(request, values, reference)
    except ValidationError as error:
        faults = faults_of(error.errors())
    except BadInput as error:
        faults = list(error.faults)
    except ServiceError as error:
        faults = [*error.faults] or [FieldFault("", error.detail)]
    else:
        return RedirectResponse(f"/cases/{target}/plan", status_code=303)
    return page(
        request, "case_form.html", status=422, values=values, faults=faults, reference=reference
    )


def _write(request: Request, values: dict[str, str], reference: str | None) -> str:
    work = work_of(request)
    given = {name: value for name, value in values.items() if value != ""}
    version = version_of(given)
    given.pop("version", None)
    facts: dict[str, object] = {
        name: value for name, value in given.items() if name not in {*_FINDINGS, *_MEASUREMENTS}
    }
    facts["findings"] = {name: given[name] for name in _FINDINGS if name in given}
    facts["measurements"] = {name: given[name] for name in _MEASUREMENTS if name in given}
    if reference is None:
        body = CaseBody.model_validate(facts)
        return work.write(lambda unit: case_life.add_case(unit, body)).reference
    facts.pop("reference", None)
    fields = CaseFields.model_validate(facts)
    return work.write(
        lambda unit: case_life.change_case(unit, reference, fields, version)
    ).reference
