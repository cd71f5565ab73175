"""Plan a case on one page: fracture, sizes, construct, and the alternates one by one.

The cover is shown as it is typed: a script sends the form while it is filled in, and puts in the
parts that come back. Without a script a button asks for the same.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from fastapi import APIRouter, Request
from pydantic import ValidationError
from starlette.responses import RedirectResponse, Response

from service.errors import BadInput, FieldFault, ServiceError, Stale
from service.operations import cases, plans
from service.operations.last_change import last_change_of
from service.operations.plan_tries import save_case_plan, try_case_plan
from service.operations.rules import PLAN, requires
from service.operations.schemas.cases import CaseOut
from service.operations.schemas.faults import faults_of
from service.operations.schemas.plan_path import CasePlanBody, TriedPlan
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

    tried: TriedPlan | None = None
    faults: Sequence[FieldFault] = ()


@router.get("/cases/{reference}/plan")
@requires(PLAN)
def show_plan(request: Request, reference: str) -> Response:
    """Show what is known and planned, and what follows from it."""
    case = work_of(request).read(lambda unit: cases.get_case(unit, reference))
    form = plan_form_of(case)
    return _form(request, case, form, _try(request, reference, form, case.version))


@router.post("/cases/{reference}/plan/check")
@requires(PLAN)
def try_plan(request: Request, reference: str, form: FilledForm) -> Response:
    """Show what follows from a form as it stands; nothing is saved."""
    case = work_of(request).read(lambda unit: cases.get_case(unit, reference))
    filled = plan_form_from(form)
    answer = _try(request, reference, filled, version_of(form))
    return _form(request, case, filled, answer, parts_only=PARTS in request.headers)


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
    case = work.read(lambda unit: cases.get_case(unit, reference))
    tried = _try(request, reference, filled, version_of(form)).tried
    return _form(request, case, filled, _Answer(tried, faults), status=422)


def _try(request: Request, reference: str, form: PlanForm, version: int) -> _Answer:
    try:
        body = CasePlanBody.model_validate(form.body())
        trial = work_of(request).rehearse(
            lambda unit: try_case_plan(unit, reference, body, version)
        )
    except ValidationError as error:
        return _Answer(faults=faults_of(error.errors()))
    except ServiceError as error:
        return _Answer(faults=[*error.faults] or [FieldFault("", error.detail)])
    return _Answer(trial.finished())


def _stale(request: Request, reference: str, form: PlanForm) -> Response:
    """Show what somebody else has changed meanwhile beside what was typed; saving again is safe."""
    work = work_of(request)
    case = work.read(lambda unit: cases.get_case(unit, reference))
    changed = work.read(lambda unit: last_change_of(unit, reference))
    differs = [*differences(form.values, case, FRACTURE_FIELDS), *_planned_otherwise(form, case)]
    answer = _try(request, reference, form, case.version)
    return _form(request, case, form, answer, status=412, changed=changed, differs=differs)


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
    case: CaseOut,
    form: PlanForm,
    answer: _Answer,
    *,
    status: int = 200,
    parts_only: bool = False,
    **more: object,
) -> Response:
    tried = answer.tried
    pictures = (
        construct_pictures(tried.case, tried.check, prefix="plan") if tried and tried.check else ()
    )
    return page(
        request,
        "plan_parts.html" if parts_only else "plan.html",
        status=status,
        case=case,
        form=form,
        tried=tried,
        faults=answer.faults,
        pictures=pictures,
        choices=work_of(request).read(plans.list_choices),
        class_choices=CLASS_CHOICES,
        **more,
    )
