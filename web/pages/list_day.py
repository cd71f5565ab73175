"""The list day: cases in order, and whether everything for them is there."""

from datetime import date, timedelta

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from service.operations import cases, checks
from service.operations.schemas.base import Day
from service.operations.site import next_list_day, site_facts
from web.render import page, work_of

__all__ = ["router"]

router = APIRouter()


@router.get("/")
def start(request: Request) -> Response:
    """Go to the next list day, or say that there is none yet."""
    work = work_of(request)
    today = work.read(site_facts).today
    day = work.read(lambda unit: next_list_day(unit, today))
    if day is None:
        return page(request, "no_lists.html")
    return RedirectResponse(f"/lists/{day}", status_code=303)


@router.get("/lists")
def choose_day(day: Day) -> Response:
    """Go to the day a form names."""
    return RedirectResponse(f"/lists/{day}", status_code=303)


@router.get("/lists/{day}")
def list_day(request: Request, day: Day) -> Response:
    """Show one list day."""
    work = work_of(request)
    today = work.read(site_facts).today
    around = (_beside(day, -1), day, _beside(day, 1))
    if day < today:
        past = work.read(lambda unit: cases.list_days(unit, day, day))
        return page(request, "past_day.html", lists=past.lists, around=around)
    check = work.read(lambda unit: checks.check_day(unit, day))
    return page(request, "list_day.html", check=check, around=around)


def _beside(day: date, days: int) -> date:
    return day + timedelta(days=days)
