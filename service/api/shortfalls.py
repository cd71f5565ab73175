"""What runs short, over HTTP."""

from typing import Annotated

from fastapi import APIRouter, Query

from service.api.access import GuardedRoute
from service.api.http import WorkDep
from service.operations.people.permissions import READ, requires
from service.operations.shortfalls import shortfalls
from service.schemas.shortfalls import Shortfalls

router = APIRouter(tags=["supply"], route_class=GuardedRoute)


@router.get("/shortfalls")
@requires(READ)
def list_shortfalls(
    work: WorkDep,
    days: Annotated[int, Query(ge=0, le=60, description="How many days of lists to include")] = 14,
    with_gains: Annotated[
        bool, Query(description="Also calculate what one more unit adds, which takes longer")
    ] = False,
) -> Shortfalls:
    """Return what is missing for coming lists, and each way to cover it with its last moment."""
    return work.read(lambda unit: shortfalls.shortfalls(unit, days, with_gains=with_gains))
