"""A case: what is known, what is planned, what is missing, and who has confirmed it."""

from collections.abc import Sequence
from dataclasses import dataclass

from fastapi import APIRouter, Request
from pydantic import ValidationError
from starlette.responses import RedirectResponse, Response

from service.errors import FieldFault, ServiceError, Stale
from service.operations import case_life, cases
from service.operations.case_what_if import what_if_case
from service.operations.confirming import confirm
from service.operations.events import EventOut, events_of
from service.operations.last_change import last_change_of
from service.operations.plan_tries import view_case
from service.operations.rules import CONFIRM, KEEP_CASES, PLAN, READ, may, requires
from service.operations.schemas.base import Day
from service.operations.schemas.case_what_if import CaseWhatIfBody
from service.operations.schemas.cases import CaseBody, CaseFields
from service.operations.schemas.faults import faults_of
from service.operations.schemas.ledger import TrayOut
from service.operations.schemas.plan_path import CaseView
from service.operations.site import site_facts
from service.operations.trays import tray_of
from service.operations.unit import Unit
from web.case_page import case_facts
from web.case_values import (
    CLASS_CHOICES,
    FRACTURE_FIELDS,
    differences,
    fracture_facts,
    new_values,
    values_of,
)
from web.forms import Filled, version_of, whole
from web.render import page, work_of

__all__ = ["router"]

router = APIRouter()

#: What a form says of a case beside its fracture.
_LIST_FIELDS = ("list_date", "theatre", "starts", "ends", "position")


@router.get("/cases/new")
@requires(KEEP_CASES)
def new_case(request: Request, day: Day | None = None) -> Response:
    """Show the form of a new case, filled in as far as its day foretells."""
    work = work_of(request)
    chosen = day or work.read(site_facts).today
    lists = work.read(lambda unit: cases.list_days(unit, chosen, chosen)).lists
    return _form(request, new_values(lists, chosen), None)


@router.post("/cases/new")
@requires(KEEP_CASES)
def add_case(request: Request, values: Filled) -> Response:
    """Add the case a form describes."""
    return _save(request, values, reference=None)


@router.get("/cases/{reference}")
@requires(READ)
def show_case(request: Request, reference: str) -> Response:
    """Show a case: first what matters, then what it rests on."""
    return _case(request, work_of(request).read(lambda unit: _read(unit, reference)))


@router.post("/cases/{reference}/what-if")
@requires(READ)
def try_case(request: Request, reference: str, values: Filled) -> Response:
    """Show the case with one more unit, or measured otherwise; nothing is saved."""
    work = work_of(request)
    faults: list[FieldFault] = []
    try:
        body = CaseWhatIfBody.model_validate(_asked(values))
        read = work.rehearse(lambda unit: _read(unit, reference, body))
        return _case(request, read, tried=_in_words(values))
    except ValidationError as error:
        faults = faults_of(error.errors())
    except ServiceError as error:
        faults = [*error.faults] or [FieldFault("", error.detail)]
    read = work.read(lambda unit: _read(unit, reference))
    return _case(request, read, status=422, faults=faults, values=values)


def _asked(values: dict[str, str]) -> dict[str, object]:
    names = ("neck_film_mm", "canal_film_mm", "nail_length_mm")
    facts: dict[str, object] = {name: values[name] for name in names if values.get(name)}
    if values.get("ref"):
        facts["add_units"] = [{"ref": values["ref"], "quantity": values.get("quantity") or "1"}]
    return facts


def _in_words(values: dict[str, str]) -> str:
    said = []
    if values.get("ref"):
        said.append(f"{values.get('quantity') or '1'} more of {values['ref']}")
    for name, words in (
        ("neck_film_mm", "the lag screw path {} mm on the film"),
        ("canal_film_mm", "the canal {} mm on the film"),
        ("nail_length_mm", "a long nail of {} mm"),
    ):
        if values.get(name):
            said.append(words.format(values[name]))
    return " and ".join(said)


@dataclass(frozen=True, slots=True)
class _Read:
    """What the page of a case is made of."""

    view: CaseView
    tray: TrayOut
    events: Sequence[EventOut]


def _read(unit: Unit, reference: str, body: CaseWhatIfBody | None = None) -> _Read:
    """Read a case, its tray and what has happened to it, before anything is tried."""
    tray, events = tray_of(unit, reference), events_of(unit, reference)
    if body is not None:
        return _Read(what_if_case(unit, reference, body), tray, events)
    return _Read(view_case(unit, reference), tray, events)


def _case(
    request: Request,
    read: _Read,
    *,
    tried: str = "",
    status: int = 200,
    faults: list[FieldFault] | None = None,
    values: dict[str, str] | None = None,
) -> Response:
    return page(
        request,
        "case.html",
        status=status,
        **case_facts(read.view),
        tray=read.tray,
        events=read.events,
        tried=tried,
        faults=faults or (),
        values=values or {},
    )


@router.post("/cases/{reference}/confirm")
@requires(CONFIRM)
def confirm_backups(request: Request, reference: str, values: Filled) -> Response:
    """Confirm the backups of the plan revision that the page showed."""
    revision, version = whole(values, "plan_revision"), version_of(values)
    work_of(request).write(lambda unit: confirm(unit, reference, revision, version))
    return RedirectResponse(f"/cases/{reference}", status_code=303)


@router.get("/cases/{reference}/edit")
@requires(KEEP_CASES)
def edit_case(request: Request, reference: str) -> Response:
    """Show the form of a case."""
    case = work_of(request).read(lambda unit: cases.get_case(unit, reference))
    return _form(request, values_of(case), reference)


@router.post("/cases/{reference}/edit")
@requires(KEEP_CASES)
def change_case(request: Request, reference: str, values: Filled) -> Response:
    """Change the case as a form describes it."""
    return _save(request, values, reference=reference)


@router.post("/cases/{reference}/cancel")
@requires(KEEP_CASES)
def cancel_case(request: Request, reference: str, values: Filled) -> Response:
    """Take a case off its list."""
    version = version_of(values)
    work_of(request).write(lambda unit: case_life.cancel_case(unit, reference, version))
    return RedirectResponse(f"/cases/{reference}", status_code=303)


def _save(request: Request, values: dict[str, str], reference: str | None) -> Response:
    try:
        target = _write(request, values, reference)
    except Stale:
        return _stale(request, values, reference or "")
    except ValidationError as error:
        faults = faults_of(error.errors())
    except ServiceError as error:
        faults = [*error.faults] or [FieldFault("", error.detail)]
    else:
        # Who may not plan has done what there was to do.
        plans = may(request.state.caller.roles, PLAN)
        next_page = "/plan" if plans and reference is None else ""
        return RedirectResponse(f"/cases/{target}{next_page}", status_code=303)
    return _form(request, values, reference, status=422, faults=faults)


def _write(request: Request, values: dict[str, str], reference: str | None) -> str:
    work = work_of(request)
    facts = fracture_facts(values)
    facts |= {name: values[name] for name in _LIST_FIELDS if values.get(name, "") != ""}
    if reference is None:
        body = CaseBody.model_validate(facts | {"reference": values.get("reference", "")})
        return work.write(lambda unit: case_life.add_case(unit, body)).reference
    fields, version = CaseFields.model_validate(facts), version_of(values)
    return work.write(
        lambda unit: case_life.change_case(unit, reference, fields, version)
    ).reference


def _stale(request: Request, values: dict[str, str], reference: str) -> Response:
    """Show what somebody else has changed meanwhile beside what was typed; saving again is safe."""
    work = work_of(request)
    case = work.read(lambda unit: cases.get_case(unit, reference))
    return _form(
        request,
        values | {"version": str(case.version)},
        reference,
        status=412,
        changed=work.read(lambda unit: last_change_of(unit, reference)),
        differs=differences(values, case, (*_LIST_FIELDS, *FRACTURE_FIELDS)),
    )


def _form(
    request: Request,
    values: dict[str, str],
    reference: str | None,
    *,
    status: int = 200,
    **more: object,
) -> Response:
    more.setdefault("faults", ())
    return page(
        request,
        "case_form.html",
        status=status,
        values=values,
        reference=reference,
        class_choices=CLASS_CHOICES,
        **more,
    )
