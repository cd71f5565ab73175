"""Demand, par problems, proposals and par levels over HTTP."""

from typing import Annotated, Any

from fastapi import APIRouter, Body, Path, Query, Response

from service.api.access import GuardedRoute
from service.api.http import Actor, Limit, OnceDep, OptionalVersion, WorkDep, etag
from service.operations import demand, par
from service.operations.people.permissions import READ, SET_LEVELS, requires
from service.schemas.base import Name, Ref
from service.schemas.demand import DemandOut
from service.schemas.par import (
    DecisionsBody,
    LevelBody,
    LevelOut,
    LevelsOut,
    ProposalBody,
    ProposalLinesOut,
    ProposalList,
    ProposalOut,
)

router = APIRouter(tags=["par"], route_class=GuardedRoute)


ONE_SCREW = {
    "arrivals_per_day": 0.5,
    "case_mix": [
        {
            "weight": 1,
            "case": {
                "case": "any",
                "needs": [{"need": "as planned", "probability": 1.0, "constructs": ["single"]}],
                "constructs": [
                    {"construct": "single", "takes": [{"factors": [], "items": [{"lag-95": 1}]}]}
                ],
            },
        }
    ],
    "items": [{"item": "lag-95", "unit_cost": 12000, "lead_time_days": 4, "minimum": 0}],
    "levels": {"lag-95": 2},
}


Problem = Annotated[dict[str, Any], Body(examples=[ONE_SCREW])]


Key = Annotated[int, Path(gt=0, le=10**9, description="The proposal's number")]


RefInPath = Annotated[Ref, Path(description="The item's catalogue reference")]


@router.post("/par")
@requires(READ)
def answer_par(problem: Problem) -> dict[str, Any]:
    """Evaluate par levels, reach a readiness, or make the best use of a budget; nothing is stored.

    What takes too long to answer is refused with 413 and the limit.
    """
    return par.answer_par_problem(problem)


@router.get("/demand")
@requires(READ)
def get_demand(
    work: WorkDep,
    kind: Annotated[Name | None, Query(description="Only items of this kind")] = None,
    system: Annotated[Name | None, Query(description="Only items of this system")] = None,
) -> DemandOut:
    """Return what was used of each item, and how many a year that makes, with intervals."""
    return work.read(lambda unit: demand.demand(unit, kind, system))


@router.get("/par_proposals")
@requires(READ)
def list_proposals(work: WorkDep, limit: Limit = 20) -> ProposalList:
    """Return the site's proposals, the newest first."""
    return work.read(lambda unit: par.list_proposals(unit, limit))


@router.post("/par_proposals", status_code=201)
@requires(SET_LEVELS)
def make_proposal(work: WorkDep, once: OnceDep, body: ProposalBody) -> ProposalOut:
    """Propose par levels from the site's own plans, usage and shelves; no level is changed."""
    worked = work.read(lambda unit: par.compute_proposal(unit, body))
    return once.write(lambda unit: par.store_proposal(unit, worked), body, ProposalOut)


@router.get("/par_proposals/{key}")
@requires(READ)
def get_proposal(work: WorkDep, key: Key) -> ProposalOut:
    """Return one proposal, line by line with why."""
    return work.read(lambda unit: par.get_proposal(unit, key))


@router.post("/par_proposals/{key}/decisions", status_code=201)
@requires(SET_LEVELS)
def decide_lines(once: OnceDep, key: Key, body: DecisionsBody) -> ProposalLinesOut:
    """Accept, change or refuse lines; what is accepted or changed becomes the par level."""
    return once.write(lambda unit: par.decide_lines(unit, key, body), body, ProposalLinesOut)


@router.get("/par_levels")
@requires(READ)
def list_levels(
    work: WorkDep,
    below_only: Annotated[
        bool, Query(description="Only levels with less in stock and on order")
    ] = False,
) -> LevelsOut:
    """Return the par levels in force, and what to order so that they are kept."""
    return work.read(lambda unit: par.list_levels(unit, below_only=below_only))


@router.get("/par_levels/{ref}")
@requires(READ)
def get_level(work: WorkDep, ref: RefInPath, response: Response) -> LevelOut:
    """Return one par level."""
    found = work.read(lambda unit: par.get_level(unit, ref))
    response.headers["ETag"] = etag(found.version)
    return found


@router.put("/par_levels/{ref}")
@requires(SET_LEVELS)
def set_level(  # noqa: PLR0917 - FastAPI fills the parameters by name
    work: WorkDep,
    actor: Actor,
    ref: RefInPath,
    body: LevelBody,
    version: OptionalVersion,
    response: Response,
) -> LevelOut:
    """Set a par level, or change one you have read (then with If-Match)."""
    stored = work.write(lambda unit: par.set_level(unit, ref, body, version), actor)
    response.headers["ETag"] = etag(stored.version)
    return stored
