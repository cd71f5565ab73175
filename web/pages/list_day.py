"""The list day: cases in order, and whether everything for them is there."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from fastapi import APIRouter, Request
from pydantic import ValidationError
from starlette.responses import RedirectResponse, Response

from service.errors import BadInput, FieldFault, ServiceError
from service.operations import readiness as day_readiness
from service.operations.cases import lookup
from service.operations.people.permissions import READ, requires
from service.operations.planning import what_if
from service.operations.site import next_list_day, site_facts
from service.operations.stock.sets import set_times
from service.operations.work import Unit
from service.schemas.base import Day
from service.schemas.cover import CaseCheckOut, CheckOut, SetTimes
from service.schemas.faults import faults_of
from service.schemas.readiness import DayReadiness
from service.schemas.what_if import WhatIfBody
from web.forms import Filled
from web.pictures.charts.readiness import ReadinessRow, readiness_bars
from web.pictures.charts.sets import SetRow, SetUse, set_timeline
from web.pictures.svg import Picture
from web.render import page, work_of

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
        past = work.read(lambda unit: lookup.list_days(unit, day, day))
        return page(request, "past_day.html", lists=past.lists, around=_around(day))
    told = work.read(lambda unit: _day_contents(unit, day))
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
    told = work.read(lambda unit: _day_contents(unit, day))
    return _day(request, day, told, status=422, faults=faults, values=values)


@dataclass(frozen=True, slots=True)
class _DayContents:
    """A day as the operations answer it."""

    readiness: DayReadiness
    sets: Sequence[SetTimes]


def _day_contents(unit: Unit, day: date) -> _DayContents:
    told = day_readiness.day_readiness(unit, day)
    return _DayContents(told, set_times(unit, told.check))


def _day(
    request: Request,
    day: date,
    told: _DayContents,
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
        facts["move_case"] = {**moved, "twice": values.get("twice") or None}
    if not facts:
        fault = FieldFault("", "say which REF to add, or which case to move and to when")
        raise BadInput("There is nothing to try.", faults=[fault])
    return WhatIfBody.model_validate(facts)


def _tried(unit: Unit, day: date, body: WhatIfBody) -> _DayContents:
    what_if.what_if(unit, day, body)
    return _day_contents(unit, day)


def _in_words(values: dict[str, str]) -> str:
    said = []
    if values.get("ref"):
        said.append(f"{values.get('quantity') or '1'} more of {values['ref']}")
    if values.get("case"):
        which = f", the {values['twice']} time the clock shows it" if values.get("twice") else ""
        said.append(f"{values['case']} from {values.get('starts')} to {values.get('ends')}{which}")
    return " and ".join(said)


def _around(day: date) -> tuple[date, date, date]:
    """Return the day before, the day and the day after."""
    return day - timedelta(days=1), day, day + timedelta(days=1)


@dataclass(frozen=True, slots=True)
class SheetCase:
    """One case on the day sheet: how many packs go where, from which stores, with which sets."""

    check: CaseCheckOut
    first_use: int
    in_room: int
    stores: Sequence[str]
    sets: Sequence[str]


@dataclass(frozen=True, slots=True)
class SheetList:
    """One theatre's part of the day sheet."""

    theatre: str
    cases: Sequence[SheetCase]


def day_sheet(check: CheckOut) -> list[SheetList]:
    """Sum up what is to be brought for every case of a day."""
    return [
        SheetList(one.theatre, tuple(_sheet_case(case) for case in one.cases))
        for one in check.lists
    ]


def _sheet_case(case: CaseCheckOut) -> SheetCase:
    lines = [line for one in case.constructs for line in one.lines] + case.near
    sets = [line.label for line in lines if line.what == "instrument set" and line.found]
    taken = [row for row in case.pick_list if row.place != "on its shelf"]
    return SheetCase(
        case,
        sum(row.quantity for row in taken if row.place == "first use"),
        sum(row.quantity for row in taken if row.place == "in the room"),
        sorted({row.store for row in taken}),
        sorted(set(sets)),
    )


def likely_bars(told: DayReadiness) -> Picture | None:
    """Draw the chance of each case of the day; None when no case can be worked out."""
    if not told.cases:
        return None
    known = {one.case: one.readiness for one in told.cases}
    rows = []
    for case in (case for one in told.check.lists for case in one.cases):
        share = known.get(case.case)
        rows.append(
            ReadinessRow(case.case, None)
            if share is None
            else ReadinessRow(case.case, share.value, share.standard_error)
        )
    return readiness_bars(rows, prefix="likely", title="Chance of having everything, case by case")


def set_picture(sets: Sequence[SetTimes]) -> Picture | None:
    """Draw where the instrument sets are, hour by hour; None on a day that needs none."""
    if not sets:
        return None
    rows = [
        SetRow(
            one.name,
            one.quantity,
            one.turnaround_minutes,
            tuple(SetUse(use.case, use.starts_at, use.ends_at) for use in one.uses),
        )
        for one in sets
    ]
    return set_timeline(rows, prefix="sets", title="Instrument sets on this day")
