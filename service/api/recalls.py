"""Recalls over HTTP."""

from typing import Annotated

from fastapi import APIRouter, Path, Request, Response

from service.api.access import GuardedRoute
from service.api.deps import After, Limit, OnceDep, WorkDep
from service.api.items import link_to_next
from service.operations import recalling, recalls
from service.operations.rules import KEEP_STOCK, READ, requires
from service.operations.schemas.base import Ref
from service.operations.schemas.recalls import RecallBody, RecallPage, RecallReport

__all__ = ["router"]

router = APIRouter(prefix="/recalls", tags=["recalls"], route_class=GuardedRoute)

NoticeInPath = Annotated[Ref, Path(description="The supplier's notice, as it was entered")]


@router.post("", status_code=201)
@requires(KEEP_STOCK)
def start_recall(once: OnceDep, body: RecallBody) -> RecallReport:
    """Put a recall in force: where every unit is, and off the shelves if asked, in one call."""
    return once.write(lambda unit: recalling.start_recall(unit, body), body, RecallReport)


@router.get("")
@requires(READ)
def list_recalls(
    work: WorkDep, request: Request, response: Response, after: After = "", limit: Limit = 100
) -> RecallPage:
    """Give recalls, the newest first; lifted ones stay on record."""
    page = work.read(lambda unit: recalls.list_recalls(unit, after=after, limit=limit))
    link_to_next(request, response, page.next_after)
    return page


@router.get("/{notice:path}")
@requires(READ)
def get_recall(work: WorkDep, notice: NoticeInPath) -> RecallReport:
    """Report where every unit of a recall is, was or went."""
    return work.read(lambda unit: recalls.get_recall(unit, notice))


@router.post("/{notice:path}/lift")
@requires(KEEP_STOCK)
def lift_recall(once: OnceDep, notice: NoticeInPath) -> RecallReport:
    """End a recall; what lies in quarantine stays there until somebody moves it."""
    return once.write(lambda unit: recalling.lift_recall(unit, notice), None, RecallReport)
