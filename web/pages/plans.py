"""Plan a case on one page: fracture, sizes, construct, and the alternates one by one.

The cover is shown as it is typed: a script sends the form while it is filled in, and puts in the
parts that come back. Without a script a button asks for the same.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from fastapi import APIRouter, Request
from pydantic import ValidationError
from starlette.responses import RedirectResponse, Response

from service.errors import BadInput, FieldFault, ServiceError, Stale, Unavailable
from service.operations import cases, plans
from service.operations.last_change import last_change_of
from service.operations.plan_tries import Trial, save_case_plan, try_case_plan
from service.operations.rules import PLAN, requires
from service.operations.schemas.cases import CaseOut
from service.operations.schemas.faults import faults_of
from service.operations.schemas.plan_path import CasePlanBody
from service.operations.schemas.planning import Choices
from service.operations.unit import Unit
from web.case_values import CLASS_CHOICES, FRACTURE_FIELDS, Difference, differences
from web.forms import FilledForm, version_of
from web.pictures.from_plan import construct_pictures
from web.plan_form import PlanForm, plan_form_from, plan_form_of
from web.render import page, work_of

__all__ = ["router"]

router = APIRouter()

#: The header a script asks with for the parts that follow from the form, instead of the page.
PARTS = "x-parts-only"


@dataclass(frozen=True, slots=True)
class _Answer:
    """What the rows say of a form: the plan as it would be, or why it cannot be tried."""

    case: CaseOut
    form: PlanForm
    choices: Choices
    trial: Trial | None = None
    faults: Sequence[FieldFault] = ()


@router.get("/cases/{reference}/plan")
@requires(PLAN)
def show_plan(request: Request, reference: str) -> Response:
    """Show what is known and planned, and what follows from it."""
    return _form(request, _try(request, reference))


@router.post("/cases/{reference}/plan/check")
@requires(PLAN)
def try_plan(request: Request, reference: str, form: FilledForm) -> Response:
    """Show what follows from a form as it stands; nothing is saved."""
    answer = _try(request, reference, plan_form_from(form), version_of(form))
    return _form(request, answer, parts_only=PARTS in request.headers)


@router.post("/cases/{reference}/plan")
@requires(PLAN)
def save_plan(request: Request, reference: str, form: FilledForm) -> Response:
    """Store the fracture and the plan a form describes; the plan as a new revision."""
    filled = plan_form_from(form)
    work = work_of(request)
    try:
        body = CasePlanBody.model_validate(filled.body())
        if body.plan is None:
            fault = FieldFault("/primary", "choose what is planned first")
            raise BadInput("There is no plan to save.", faults=[fault])
        version = version_of(form)
        work.write(lambda unit: save_case_plan(unit, reference, body, version))
    except Stale:
        return _stale(request, reference, filled)
    except ValidationError as error:
        faults = faults_of(error.errors())
    except ServiceError as error:
        faults = [*error.faults] or [FieldFault("", error.detail)]
    else:
        return RedirectResponse(f"/cases/{reference}", status_code=303)
    answer = _try(request, reference, filled, version_of(form))
    return _form(request, replace(answer, faults=faults), status=422)


def _try(
    request: Request, reference: str, form: PlanForm | None = None, version: int | None = None
) -> _Answer:
    """Read the case and try a form, or what is stored; what it writes is undone."""
    work = work_of(request)
    try:
        return work.rehearse(lambda unit: _tried(unit, reference, form, version))
    except Unavailable as error:
        # Others are writing; what is there can be read all the same.
        answer = work.read(lambda unit: _untried(unit, reference, form))
        return replace(answer, faults=[FieldFault("", error.detail)])


def _untried(unit: Unit, reference: str, form: PlanForm | None) -> _Answer:
    case, choices = cases.get_case(unit, reference), plans.list_choices(unit)
    return _Answer(case, plan_form_of(case) if form is None else form, choices)


def _tried(unit: Unit, reference: str, form: PlanForm | None, version: int | None) -> _Answer:
    answer = _untried(unit, reference, form)
    try:
        body = CasePlanBody.model_validate(answer.form.body())
        known = answer.case.version if version is None else version
        trial = try_case_plan(unit, reference, body, known)
    except ValidationError as error:
        return replace(answer, faults=faults_of(error.errors()))
    except ServiceError as error:
        return replace(answer, faults=[*error.faults] or [FieldFault("", error.detail)])
    return replace(answer, trial=trial)


def _stale(request: Request, reference: str, form: PlanForm) -> Response:
    """Show what somebody else has changed meanwhile beside what was typed; saving again is safe."""
    changed = work_of(request).read(lambda unit: last_change_of(unit, reference))
    answer = _try(request, reference, form)
    case = answer.case
    differs = [*differences(form.values, case, FRACTURE_FIELDS), *_planned_otherwise(form, case)]
    return _form(request, answer, status=412, changed=changed, differs=differs)


def _planned_otherwise(form: PlanForm, case: CaseOut) -> list[Difference]:
    stored = plan_form_of(case)
    pairs = [
        ("Planned first", stored.primary, form.primary),
        ("What stands by", ", ".join(stored.accepted), ", ".join(form.accepted)),
    ]
    return [
        Difference(label, there or "nothing", typed or "nothing")
        for label, there, typed in pairs
        if there != typed
    ]


def _form(
    request: Request,
    answer: _Answer,
    *,
    status: int = 200,
    parts_only: bool = False,
    **more: object,
) -> Response:
    tried = None if answer.trial is None else answer.trial.finished()
    pictures = (
        construct_pictures(tried.case, tried.check, prefix="plan") if tried and tried.check else ()
    )
    return page(
        request,
        "plan_parts.html" if parts_only else "plan.html",
        status=status,
        case=answer.case,
        form=answer.form,
        tried=tried,
        faults=answer.faults,
        pictures=pictures,
        choices=answer.choices,
        class_choices=CLASS_CHOICES,
        **more,
    )
