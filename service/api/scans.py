"""Scans of packs over HTTP."""

from fastapi import APIRouter

from service.api.access import GuardedRoute
from service.api.deps import OnceDep, WorkDep
from service.operations import codes, scans
from service.operations.rules import MOVE_STOCK, READ, requires
from service.operations.schemas.scans import LearnBody, LearnedOut, ScanBody, ScanOut

__all__ = ["router"]

router = APIRouter(tags=["scans"], route_class=GuardedRoute)


@router.post("/scans")
@requires(READ)
def scan_pack(work: WorkDep, body: ScanBody) -> ScanOut:
    """Say what a pack is, whether it is right for the case, and what to do; changes nothing."""
    return work.read(lambda unit: scans.scan_pack(unit, body))


@router.post("/item_codes", status_code=201)
@requires(MOVE_STOCK)
def learn_code(once: OnceDep, body: LearnBody) -> LearnedOut:
    """Teach the service that a code belongs to an item."""
    return once.write(lambda unit: codes.learn_code(unit, body), body, LearnedOut)
