"""Plan a case: choose the primary, accept or refuse suggested alternates, save."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Annotated

from fastapi import APIRouter, Query, Request
from pydantic import ValidationError
from starlette.responses import RedirectResponse, Response

from service.errors import FieldFault, ServiceError
from service.operations import case_life, cases, plans
from service.operations.faults import faults_of
from service.operations.schemas.cases import PlanBody
from service.operations.schemas.planning import SuggestedPlan
from web.forms import FilledForm, texts, version_of
from web.render import page, work_of

__all__ = ["router"]

router = APIRouter()


@dataclass(frozen=True, slots=True)
class _Choice:
    """What the form shows as chosen."""

    primary: str = ""
    alternates: Sequence[str] = ()
    near: Sequence[str] = ()
    faults: Sequence[FieldFault] = field(default_factory=tuple)


@router.get("/cases/{reference}/plan")
def show_plan(
    request: Request,
    reference: str,
    base: str = "",
    add_on: Annotated[list[str] | None, Query()] = None,
) -> Response:
    """Show what can be planned, and what the rules suggest beside it."""
    plan = work_of(request).read(lambda unit: cases.get_case(unit, reference)).plan
    if base:
        chosen = _Choice("+".join([base, *(add_on or [])]))
        if plan is not None and plan.primary == chosen.primary:
            chosen = _Choice(plan.primary, plan.alternates, _written(plan.near))
    elif plan is not None:
        chosen = _Choice(plan.primary, plan.alternates, _written(plan.near))
    else:
        chosen = _Choice()
    return _form(request, reference, chosen)


@router.post("/cases/{reference}/plan")
def save_plan(request: Request, reference: str, form: FilledForm) -> Response:
    """Store the plan a form describes as a new revision."""
    chosen = _Choice(str(form.get("primary", "")), texts(form, "alternates"), texts(form, "near"))
    try:
        body = PlanBody.model_validate(
            {
                "primary": chosen.primary,
                "alternates": chosen.alternates,
                "near": [_near(one) for one in chosen.near],
            }
        )
        version = version_of(form)
        work_of(request).write(lambda unit: case_life.make_plan(unit, reference, body, version))
    except ValidationError as error:
        faults = faults_of(error.errors())
    except ServiceError as error:
        faults = [*error.faults] or [FieldFault("", error.detail)]
    else:
        return RedirectResponse(f"/cases/{reference}", status_code=303)
    return _form(
        request, reference, _Choice(chosen.primary, chosen.alternates, chosen.near, faults)
    )


def _written(near: Sequence[object]) -> list[str]:
    return [f"{getattr(one, 'kind', '')}|{getattr(one, 'reason', '')}" for one in near]


def _near(text: str) -> dict[str, str]:
    kind, _, reason = text.partition("|")
    return {"kind": kind, "reason": reason or "asked for"}


def _form(request: Request, reference: str, chosen: _Choice) -> Response:
    work = work_of(request)
    suggested: SuggestedPlan | None = None
    faults = list(chosen.faults)
    if chosen.primary:
        try:
            suggested = work.read(lambda unit: plans.suggest_plan(unit, reference, chosen.primary))
        except ValidationError as error:
            faults = faults or faults_of(error.errors())
        except ServiceError as error:
            faults = faults or [*error.faults] or [FieldFault("", error.detail)]
    return page(
        request,
        "plan.html",
        status=422 if faults else 200,
        case=work.read(lambda unit: cases.get_case(unit, reference)),
        chosen=chosen,
        faults=faults,
        suggested=suggested,
        choices=work.read(plans.list_choices),
    )
