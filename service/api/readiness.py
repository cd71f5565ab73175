"""Readiness, kits, what-if and confirmation over HTTP."""

from typing import Annotated, Any

from fastapi import APIRouter, Body, Path, Query

from service.api.access import GuardedRoute
from service.api.deps import OnceDep, Version, WorkDep
from service.operations import day_readiness, readiness, what_if
from service.operations.confirming import confirm
from service.operations.rules import CONFIRM, READ, requires
from service.operations.schemas.base import Day, Ref
from service.operations.schemas.checks import CheckOut, ConfirmationOut
from service.operations.schemas.confirming import ConfirmBody
from service.operations.schemas.readiness import DayReadiness, Method
from service.operations.schemas.what_if import WhatIfBody

__all__ = ["router"]

router = APIRouter(tags=["readiness"], route_class=GuardedRoute)

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
    """Give the fewest packs for one case that reach a target; nothing is stored."""
    return readiness.answer_kit(problem)


@router.get("/readiness/{day}")
@requires(READ)
def get_day_readiness(
    work: WorkDep,
    day: Day,
    method: Annotated[
        Method, Query(description="simulated is quick; exact is refused where it is too much")
    ] = "simulated",
    samples: Annotated[
        int, Query(ge=100, le=100_000, description="how often to play the days through")
    ] = day_readiness.SAMPLES,
) -> DayReadiness:
    """Give a list day in words and probabilities, with what to borrow or order first."""
    return work.read(lambda unit: day_readiness.day_readiness(unit, day, method, samples))


@router.get("/readiness/{day}/problem")
@requires(READ)
def get_day_problem(work: WorkDep, day: Day) -> dict[str, Any]:
    """Give the readiness problem of a day as data, to be answered or changed elsewhere."""
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
        lambda unit: confirm(unit, reference, body.plan_revision, version), body, ConfirmationOut
    )
