"""What expires, over HTTP."""

from typing import Annotated

from fastapi import APIRouter, Query

from service.api.access import GuardedRoute
from service.api.deps import WorkDep
from service.operations import expiry
from service.operations.rules import READ, requires
from service.operations.schemas.expiry import ExpiringOut

__all__ = ["router"]

router = APIRouter(tags=["stock"], route_class=GuardedRoute)


@router.get("/expiring")
@requires(READ)
def expiring(
    work: WorkDep,
    days: Annotated[int, Query(ge=0, le=3650, description="How many days ahead")] = 90,
) -> ExpiringOut:
    """Give what expires soon, its value, and the first coming case that could use it."""
    return work.read(lambda unit: expiry.expiring(unit, days))
