"""Lists, cases and plans over HTTP."""

from typing import Annotated

from fastapi import APIRouter, Path, Query, Response

from service.api.access import GuardedRoute
from service.api.deps import Actor, OnceDep, Version, WorkDep, etag
from service.operations import case_life, cases, checks, plans
from service.operations.rules import KEEP_CASES, PLAN, READ, requires
from service.operations.schemas.base import Day, Ref
from service.operations.schemas.cases import CaseBody, CaseFields, CaseOut, ListDays, PlanBody
from service.operations.schemas.checks import CaseCheckOut, CheckOut
from service.operations.schemas.planning import SuggestedPlan

__all__ = ["router"]

router = APIRouter(tags=["lists and cases"], route_class=GuardedRoute)

CaseRef = Annotated[Ref, Path(description="The case's local reference")]


@router.get("/lists")
@requires(READ)
def list_days(work: WorkDep, first: Day, last: Day) -> ListDays:
    """Give the lists from one day to another with their cases in order."""
    return work.read(lambda unit: cases.list_days(unit, first, last))


@router.get("/checks/{day}")
@requires(READ)
def check_day(work: WorkDep, day: Day) -> CheckOut:
    """Check a list day against stock, after the cases of the days before it."""
    return work.read(lambda unit: checks.check_day(unit, day))


@router.post("/cases", status_code=201)
@requires(KEEP_CASES)
def add_case(once: OnceDep, body: CaseBody, response: Response) -> CaseOut:
    """Add a case to a list."""
    case = once.write(lambda unit: case_life.add_case(unit, body), body, CaseOut)
    response.headers["ETag"] = etag(case.version)
    return case


@router.get("/cases/{reference}")
@requires(READ)
def get_case(work: WorkDep, reference: CaseRef, response: Response) -> CaseOut:
    """Give a case with the newest revision of its plan."""
    case = work.read(lambda unit: cases.get_case(unit, reference))
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
    case = work.write(lambda unit: case_life.change_case(unit, reference, body, version), actor)
    response.headers["ETag"] = etag(case.version)
    return case


@router.delete("/cases/{reference}")
@requires(KEEP_CASES)
def cancel_case(
    work: WorkDep, actor: Actor, reference: CaseRef, version: Version, response: Response
) -> CaseOut:
    """Take a case off its list; it stays on record as cancelled."""
    case = work.write(lambda unit: case_life.cancel_case(unit, reference, version), actor)
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
    case = work.write(lambda unit: case_life.make_plan(unit, reference, body, version), actor)
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
    """Give the case's pick list, checked against stock after every case before it."""
    return work.read(lambda unit: checks.check_case(unit, reference))
