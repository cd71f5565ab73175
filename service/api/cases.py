"""Lists, cases and plans over HTTP."""

from typing import Annotated, Any

from fastapi import APIRouter, Body, Path, Query, Response

from service.api.access import GuardedRoute
from service.api.http import Actor, OnceDep, Version, WorkDep, etag
from service.operations import readiness
from service.operations.cases import lookup, plans
from service.operations.cover import check
from service.operations.people.permissions import CONFIRM, KEEP_CASES, PLAN, READ, requires
from service.operations.planning import case_changes, what_if
from service.operations.planning.confirm import confirm_plan_backups
from service.schemas.base import Day, Ref
from service.schemas.cases import CaseBody, CaseFields, CaseOut, ListDays, PlanBody
from service.schemas.cover import CaseCheckOut, CheckOut, ConfirmationOut, ConfirmBody
from service.schemas.planning import SuggestedPlan
from service.schemas.readiness import DayReadiness, Method
from service.schemas.what_if import WhatIfBody

router = APIRouter(tags=["lists and cases"], route_class=GuardedRoute)


CaseRef = Annotated[Ref, Path(description="The case's local reference")]


@router.get("/lists")
@requires(READ)
def list_days(work: WorkDep, first: Day, last: Day) -> ListDays:
    """Return the lists from one day to another with their cases in order."""
    return work.read(lambda unit: lookup.list_days(unit, first, last))


@router.get("/checks/{day}")
@requires(READ)
def check_day(work: WorkDep, day: Day) -> CheckOut:
    """Check a list day against stock, after the cases of the days before it."""
    return work.read(lambda unit: check.check_day(unit, day))


@router.post("/cases", status_code=201)
@requires(KEEP_CASES)
def add_case(once: OnceDep, body: CaseBody, response: Response) -> CaseOut:
    """Add a case to a list."""
    case = once.write(lambda unit: case_changes.add_case(unit, body), body, CaseOut)
    response.headers["ETag"] = etag(case.version)
    return case


@router.get("/cases/{reference}")
@requires(READ)
def get_case(work: WorkDep, reference: CaseRef, response: Response) -> CaseOut:
    """Return a case with the newest revision of its plan."""
    case = work.read(lambda unit: lookup.get_case(unit, reference))
    response.headers["ETag"] = etag(case.version)
    return case


@router.put("/cases/{reference}")
@requires(KEEP_CASES)
def change_case(  # noqa: PLR0917 - FastAPI fills the parameters by name
    work: WorkDep,
    actor: Actor,
    reference: CaseRef,
    body: CaseFields,
    version: Version,
    response: Response,
) -> CaseOut:
    """Change a case you have read; it may go to another list."""
    case = work.write(lambda unit: case_changes.change_case(unit, reference, body, version), actor)
    response.headers["ETag"] = etag(case.version)
    return case


@router.delete("/cases/{reference}")
@requires(KEEP_CASES)
def cancel_case(
    work: WorkDep, actor: Actor, reference: CaseRef, version: Version, response: Response
) -> CaseOut:
    """Take a case off its list; it stays on record as cancelled."""
    case = work.write(lambda unit: case_changes.cancel_case(unit, reference, version), actor)
    response.headers["ETag"] = etag(case.version)
    return case


@router.put("/cases/{reference}/plan")
@requires(PLAN)
def make_plan(  # noqa: PLR0917 - FastAPI fills the parameters by name
    work: WorkDep,
    actor: Actor,
    reference: CaseRef,
    body: PlanBody,
    version: Version,
    response: Response,
) -> CaseOut:
    """Store the surgeon's choice as a new revision of the plan."""
    case = work.write(lambda unit: case_changes.make_plan(unit, reference, body, version), actor)
    response.headers["ETag"] = etag(case.version)
    return case


@router.get("/cases/{reference}/suggestions")
@requires(READ)
def suggest_plan(
    work: WorkDep,
    reference: CaseRef,
    primary: Annotated[str, Query(max_length=400, description="code@System/angle")],
) -> SuggestedPlan:
    """Suggest alternates beside a primary; nothing is stored."""
    return work.read(lambda unit: plans.suggest_plan(unit, reference, primary))


@router.get("/cases/{reference}/pick_list")
@requires(READ)
def pick_list(work: WorkDep, reference: CaseRef) -> CaseCheckOut:
    """Return the case's pick list, checked against stock after every case before it."""
    return work.read(lambda unit: check.check_case(unit, reference))


ONE_ITEM = {
    "stock": [{"item": "lag-95", "quantity": 1}],
    "cases": [
        {
            "case": "K1",
            "factors": [{"name": "neck", "probabilities": [0.25, 0.5, 0.25]}],
            "needs": [{"need": "as planned", "probability": 1.0, "constructs": ["single"]}],
            "constructs": [
                {
                    "construct": "single",
                    "takes": [{"factors": ["neck"], "items": [{"lag-90": 1}, {"lag-95": 1}, None]}],
                }
            ],
        }
    ],
}


ONE_KIT = {"case": ONE_ITEM["cases"][0], "stock": ONE_ITEM["stock"], "target": 0.9}  # type: ignore[index] # a literal of ours


Problem = Annotated[dict[str, Any], Body(examples=[ONE_ITEM])]


KitProblem = Annotated[dict[str, Any], Body(examples=[ONE_KIT])]


@router.post("/readiness")
@requires(READ)
def answer_readiness(problem: Problem) -> dict[str, Any]:
    """Answer a readiness problem: cases in order, stock, sets; nothing is stored."""
    return readiness.answer_readiness(problem)


@router.post("/kit")
@requires(READ)
def answer_kit(problem: KitProblem) -> dict[str, Any]:
    """Return the fewest packs for one case that reach a target; nothing is stored."""
    return readiness.answer_kit(problem)


@router.get("/readiness/{day}")
@requires(READ)
def get_day_readiness(
    work: WorkDep,
    day: Day,
    method: Annotated[
        Method,
        Query(description=("simulated is quick; exact is refused where it would take too long")),
    ] = "simulated",
    samples: Annotated[
        int, Query(ge=100, le=100_000, description="number of simulated days")
    ] = readiness.SAMPLES,
) -> DayReadiness:
    """Return a list day in words and probabilities, with what to borrow or order first."""
    return work.read(lambda unit: readiness.day_readiness(unit, day, method, samples))


@router.get("/readiness/{day}/problem")
@requires(READ)
def get_day_problem(work: WorkDep, day: Day) -> dict[str, Any]:
    """Return the readiness problem of a day as data, to be answered or changed elsewhere."""
    return work.read(lambda unit: readiness.day_problem(unit, day)).problem


@router.post("/what_if/{day}")
@requires(READ)
def try_out(work: WorkDep, day: Day, body: WhatIfBody) -> CheckOut:
    """Check a day with more units, a moved case or an urgent case; nothing is saved."""
    return work.rehearse(lambda unit: what_if.what_if(unit, day, body))


@router.post("/cases/{reference}/confirmations", status_code=201)
@requires(CONFIRM)
def confirm_backups(
    once: OnceDep,
    reference: Annotated[Ref, Path(description="The case's local reference")],
    body: ConfirmBody,
    version: Version,
) -> ConfirmationOut:
    """Confirm the backups of a plan revision as they are checked now."""
    return once.write(
        lambda unit: confirm_plan_backups(unit, reference, body.plan_revision, version),
        body,
        ConfirmationOut,
    )
