"""Instrument sets: where each is, whether it is sterile, when it is back, who needs it next."""

from collections.abc import Sequence

from fastapi import APIRouter, Request
from starlette.responses import Response

from service.operations import set_view
from service.operations.rules import READ, requires
from service.operations.schemas.stock_view import SetOut
from web.labels import item_name
from web.pictures.picture import Picture
from web.pictures.timeline import SetRow, SetUse, set_timeline
from web.render import page, work_of

__all__ = ["router"]

router = APIRouter()


@router.get("/sets")
@requires(READ)
def show_sets(request: Request) -> Response:
    """Show every set, those that a coming case misses first."""
    found = work_of(request).read(set_view.list_sets)
    return page(
        request,
        "sets.html",
        sets=found.sets,
        until=found.until,
        picture=_picture(found.sets),
        item_name=item_name,
    )


def _picture(sets: Sequence[SetOut]) -> Picture | None:
    """Draw the first day on which a set is not back in time, or else the next with sets in use.

    A set that only stands by goes back unopened and is left out.
    """
    late = [
        one.list_date
        for each in sets
        for one in each.conflicts
        if one.because == "instrument_set_in_use"
    ]
    days = [need.list_date for one in sets for need in one.needs if not need.stands_by]
    if not days:
        return None
    day = min(late or days)
    rows = []
    for one in sets:
        uses = tuple(
            SetUse(need.case, need.starts_at, need.ends_at)
            for need in one.needs
            if need.list_date == day and not need.stands_by
        )
        if uses:
            rows.append(SetRow(_name(one), one.usable, one.turnaround_minutes, uses))
    return set_timeline(
        rows, prefix="sets", title=f"Instrument sets in use on {day:%a} {day.day} {day:%b %Y}"
    )


def _name(one: SetOut) -> str:
    return f"{one.system} {one.ref}" if one.system else one.ref
