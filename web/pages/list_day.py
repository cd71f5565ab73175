"""The list day: cases in order, and whether everything for them is there."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from fastapi import APIRouter, Request
from pydantic import ValidationError
from starlette.responses import RedirectResponse, Response

from service.errors import BadInput, FieldFault, ServiceError
from service.operations import cases, day_readiness, what_if
from service.operations.day_sets import set_times
from service.operations.rules import READ, requires
from service.operations.schemas.base import Day
from service.operations.schemas.day_sets import SetTimes
from service.operations.schemas.faults import faults_of
from service.operations.schemas.readiness import DayReadiness
from service.operations.schemas.what_if import WhatIfBody
from service.operations.site import next_list_day, site_facts
from service.operations.unit import Unit
from web.day_page import day_sheet, likely_bars, set_picture
from web.forms import Filled
from web.render import page, work_of

__all__ = ["router"]

router = APIRouter()


@router.get("/")
@requires(READ)
def start(request: Request) -> Response:
    """Go to the next list day, or say that there is none yet."""
    work = work_of(request)
    today = work.read(site_facts).today
    day = work.read(lambda unit: next_list_day(unit, today))
    if day is None:
        return page(request, "no_lists.html")
    return RedirectResponse(f"/lists/{day}", status_code=303)


@router.get("/lists")
@requires(READ)
def choose_day(day: Day) -> Response:
    """Go to the day a form names."""
    return RedirectResponse(f"/lists/{day}", status_code=303)


@router.get("/lists/{day}")
@requires(READ)
def list_day(request: Request, day: Day) -> Response:
    """Show one list day."""
    work = work_of(request)
    today = work.read(site_facts).today
    if day < today:
        past = work.read(lambda unit: cases.list_days(unit, day, day))
        return page(request, "past_day.html", lists=past.lists, around=_around(day))
    told = work.read(lambda unit: _told(unit, day))
    return _day(request, day, told)


@router.post("/lists/{day}/what-if")
@requires(READ)
def try_out(request: Request, day: Day, values: Filled) -> Response:
    """Show the day with one more unit or a case at another time; nothing is saved."""
    work = work_of(request)
    try:
        body = _asked(values)
        told = work.rehearse(lambda unit: _tried(unit, day, body))
        return _day(request, day, told, tried=_in_words(values), values=values)
    except ValidationError as error:
        faults = faults_of(error.errors())
    except ServiceError as error:
        faults = [*error.faults] or [FieldFault("", error.detail)]
    told = work.read(lambda unit: _told(unit, day))
    return _day(request, day, told, status=422, faults=faults, values=values)


@dataclass(frozen=True, slots=True)
class _Told:
    """A day as the operations answer it."""

    readiness: DayReadiness
    sets: Sequence[SetTimes]


def _told(unit: Unit, day: date) -> _Told:
    told = day_readiness.day_readiness(unit, day)
    return _Told(told, set_times(unit, told.check))


def _day(
    request: Request,
    day: date,
    told: _Told,
    *,
    status: int = 200,
    tried: str = "",
    faults: Sequence[FieldFault] = (),
    values: Mapping[str, str] | None = None,
) -> Response:
    readiness = told.readiness
    return page(
        request,
        "list_day.html",
        status=status,
        told=readiness,
        check=readiness.check,
        likely={one.case: one.readiness for one in readiness.cases},
        bars=likely_bars(readiness),
        timeline=set_picture(told.sets),
        sheet=day_sheet(readiness.check),
        around=_around(day),
        tried=tried,
        faults=faults,
        values=values or {},
    )


def _asked(values: dict[str, str]) -> WhatIfBody:
    """Read the form: one more unit, or a case moved, or both."""
    facts: dict[str, object] = {}
    if values.get("ref"):
        facts["add_units"] = [{"ref": values["ref"], "quantity": values.get("quantity") or "1"}]
    if values.get("case"):
        moved = {name: values.get(name, "") for name in ("case", "starts", "ends")}
        facts["move_case"] = moved
    if not facts:
        fault = FieldFault("", "say which unit to add, or which case to move and to when")
        raise BadInput("There is nothing to try.", faults=[fault])
    return WhatIfBody.model_validate(facts)


def _tried(unit: Unit, day: date, body: WhatIfBody) -> _Told:
    what_if.what_if(unit, day, body)
    return _told(unit, day)


def _in_words(values: dict[str, str]) -> str:
    said = []
    if values.get("ref"):
        said.append(f"{values.get('quantity') or '1'} more of {values['ref']}")
    if values.get("case"):
        said.append(f"{values['case']} from {values.get('starts')} to {values.get('ends')}")
    return " and ".join(said)


def _around(day: date) -> tuple[date, date, date]:
    """Give the day before, the day and the day after."""
    return day - timedelta(days=1), day, day + timedelta(days=1)
