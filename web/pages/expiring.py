"""What expires soon, what it is worth, and which case could still use it."""

from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from service.exchange.money import written
from service.operations import expiry
from service.operations.rules import MOVE_STOCK, READ, may, requires
from web.render import page, work_of

__all__ = ["router"]

router = APIRouter()

#: Days from today that can be chosen.
_SPANS = (14, 30, 60, 90, 180)


@router.get("/expiring")
@requires(READ)
def show_expiring(request: Request, days: Annotated[int, Query(ge=0, le=3650)] = 60) -> Response:
    """Show what expires within some days, what has expired already first."""
    work = work_of(request)
    found = work.read(lambda unit: expiry.expiring(unit, days))
    return page(
        request,
        "expiring.html",
        found=found,
        spans=[(span, f"{span}") for span in sorted({*_SPANS, days})],
        money=written,
        can_act=may(work.caller.roles, MOVE_STOCK),
    )
