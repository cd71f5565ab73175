"""Plan a case on one page: fracture, sizes, construct, and the alternates one by one.

The cover is shown as it is typed: a script sends the form while it is filled in, and puts in the
parts that come back. Without a script a button asks for the same.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from fastapi import APIRouter, Request
from pydantic import ValidationError
from starlette.datastructures import FormData
from starlette.responses import RedirectResponse, Response

from service.errors import BadInput, FieldFault, ServiceError, Stale, Unavailable
from service.operations.cases import lookup, plans
from service.operations.cases.lookup import last_change_of
from service.operations.people.permissions import PLAN, requires
from service.operations.planning.what_if import PlanPreview, preview_case_plan, save_case_plan
from service.operations.work import Unit
from service.schemas.cases import CaseOut
from service.schemas.faults import faults_of
from service.schemas.planning import ConstructChoices
from service.schemas.what_if import CasePlanBody
from web.forms import FilledForm, texts, version_of
from web.pages.cases import (
    CLASS_CHOICES,
    FRACTURE_FIELDS,
    Difference,
    differences,
    fracture_facts,
    values_of,
)
from web.pictures.femur.from_plan import construct_pictures
from web.render import page, work_of

router = APIRouter()


#: The header a script asks with for the parts that follow from the form, instead of the page.
PARTS = "x-parts-only"


@dataclass(frozen=True, slots=True)
class PlanForm:
    """What stands in the form of a plan.

    Parameters
    ----------
    values
        The fracture, as the text of its fields.
    primary
        The construct planned first, add-ons joined to it; empty while none is chosen.
    accepted
        Alternates that stand by, in their order.
    refused
        Suggested alternates that are not wanted, with why.
    near
        Kinds of item that must be near, each with its reason behind a bar.
    """

    values: Mapping[str, str] = field(default_factory=dict)
    primary: str = ""
    accepted: Sequence[str] = ()
    refused: Mapping[str, str] = field(default_factory=dict)
    near: Sequence[str] = ()

    def body(self) -> dict[str, object]:
        """Return what the form says as the body of a planned case; without a primary, no plan."""
        facts = fracture_facts(self.values)
        if self.primary:
            facts["plan"] = {
                "primary": self.primary,
                "alternates": [one for one in self.accepted if one != self.primary],
                "near": [_near(one) for one in self.near],
                "refused": [
                    {"alternate": one, "reason": why}
                    for one, why in self.refused.items()
                    if one != self.primary and one not in self.accepted
                ],
            }
        return facts


@dataclass(frozen=True, slots=True)
class _FormPreview:
    """What the rows say of a form: the plan as it would be, or why it cannot be tried."""

    case: CaseOut
    form: PlanForm
    choices: ConstructChoices
    trial: PlanPreview | None = None
    faults: Sequence[FieldFault] = ()


@router.get("/cases/{reference}/plan")
@requires(PLAN)
def show_plan(request: Request, reference: str, done: str = "") -> Response:
    """Show what is known and planned, and what follows from it."""
    return _form(request, _try(request, reference), done=done)


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
            fault = FieldFault("/primary", "choose the planned construct")
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
        return RedirectResponse(f"/cases/{reference}?done=plan", status_code=303)
    answer = _try(request, reference, filled, version_of(form))
    return _form(request, replace(answer, faults=faults), status=422)


def _try(
    request: Request, reference: str, form: PlanForm | None = None, version: int | None = None
) -> _FormPreview:
    """Read the case and try a form, or what is stored; what it writes is undone."""
    work = work_of(request)
    try:
        return work.rehearse(lambda unit: _tried(unit, reference, form, version))
    except Unavailable as error:
        # Others are writing; what is there can be read all the same.
        answer = work.read(lambda unit: _untried(unit, reference, form))
        return replace(answer, faults=[FieldFault("", error.detail)])


def _untried(unit: Unit, reference: str, form: PlanForm | None) -> _FormPreview:
    case, choices = lookup.get_case(unit, reference), plans.list_choices(unit)
    return _FormPreview(case, plan_form_of(case) if form is None else form, choices)


def _tried(unit: Unit, reference: str, form: PlanForm | None, version: int | None) -> _FormPreview:
    answer = _untried(unit, reference, form)
    try:
        body = CasePlanBody.model_validate(answer.form.body())
        known = answer.case.version if version is None else version
        trial = preview_case_plan(unit, reference, body, known)
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
        ("Planned construct", stored.primary, form.primary),
        ("Backups", ", ".join(stored.accepted), ", ".join(form.accepted)),
    ]
    return [
        Difference(label, there or "nothing", typed or "nothing")
        for label, there, typed in pairs
        if there != typed
    ]


def _form(
    request: Request,
    answer: _FormPreview,
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


ACCEPT, REFUSE = "accept", "refuse"


#: A field of an alternate carries how the alternate is planned behind these.
_DECISION, _WHY = "alternate:", "why:"


def plan_form_of(case: CaseOut) -> PlanForm:
    """Fill the form from a case and the newest revision of its plan."""
    values = values_of(case)
    if case.plan is None:
        return PlanForm(values)
    return PlanForm(
        values,
        case.plan.primary,
        case.plan.alternates,
        {one.alternate: one.reason for one in case.plan.refused},
        [f"{one.kind}|{one.reason}" for one in case.plan.near],
    )


def plan_form_from(form: FormData) -> PlanForm:
    """Read the form as it was sent."""
    sent = {name: str(value).strip() for name, value in form.items()}
    base = sent.get("base", "")
    decided = {
        name.removeprefix(_DECISION): value
        for name, value in sent.items()
        if name.startswith(_DECISION)
    }
    accepted = [one for one, decision in decided.items() if decision == ACCEPT]
    return PlanForm(
        {name: sent[name] for name in FRACTURE_FIELDS if name in sent},
        "+".join([base, *texts(form, "add_on")]) if base else "",
        list(dict.fromkeys([*accepted, *texts(form, "other")])),
        {one: sent.get(_WHY + one, "") for one, said in decided.items() if said == REFUSE},
        texts(form, "near"),
    )


def _near(text: str) -> dict[str, str]:
    kind, _, reason = text.partition("|")
    return {"kind": kind, "reason": reason or "asked for"}
