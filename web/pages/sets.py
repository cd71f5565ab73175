"""Instrument sets: where each copy is, and the scan that brings one out of sterilisation."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from pydantic import ValidationError
from starlette.responses import RedirectResponse, Response

from service.errors import FieldFault, ServiceError
from service.operations.locations import list_locations
from service.operations.people.permissions import MOVE_STOCK, READ, requires
from service.operations.stock import reprocessing
from service.operations.stock import sets as set_view
from service.schemas.faults import faults_of
from service.schemas.orders import SteriliseBody, SterilisedOut
from service.schemas.stock import ListShortageOut, SetCopy, SetNeed, SetStockOut
from web.forms import Filled, new_key, write_once
from web.labels import item_name
from web.pages.receiving import place_of, place_words
from web.pictures.charts.sets import SetRow, SetUse, set_timeline
from web.pictures.svg import Picture
from web.render import page, work_of

router = APIRouter()


@router.get("/sets")
@requires(READ)
def show_sets(request: Request) -> Response:
    """Show every set, those that a coming case misses first."""
    found = work_of(request).read(set_view.list_sets)
    clashes = [clash for one in found.sets for clash in one.conflicts]
    return page(
        request,
        "sets.html",
        sets=found.sets,
        clashes=sorted(clashes, key=_double_booked_first),
        away=[(one, copy) for one in found.sets for copy in one.copies if not copy.is_ready],
        sterile=_sterile_words(found.sets, request.query_params),
        until=found.until,
        picture=_picture(found.sets),
        item_name=item_name,
        copy_query=copy_query,
    )


def _double_booked_first(clash: ListShortageOut) -> tuple[bool, date, str]:
    return clash.because != "instrument_set_in_use", clash.list_date, clash.case


def _sterile_words(sets: Sequence[SetStockOut], asked: Mapping[str, str]) -> str:
    """Say which copy was just scanned out and where it is, as far as the rows bear it out."""
    if not asked.get("ref"):
        return ""
    copies = [copy for one in sets for copy in one.copies if copy.ref == asked["ref"]]
    copy = next((one for one in copies if one.is_ready and _is_named(one, asked)), None)
    if copy is None:
        return ""
    name = f"{copy.ref}, {copy.serial or copy.lot}"
    return (
        f"Saved: {name} is sterile and on its shelf, {copy.store}, {copy.shelf}. "
        "It counts for cases again."
    )


def _picture(sets: Sequence[SetStockOut]) -> Picture | None:
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
            SetUse(need.case, need.starts_at, _opened_until(one, need))
            for need in one.needs
            if need.list_date == day and not need.stands_by
        )
        if uses:
            rows.append(SetRow(_name(one), _coming(one), one.turnaround_minutes, uses))
    return set_timeline(
        rows, prefix="sets", title=f"Instrument sets in use on {day:%a} {day.day} {day:%b %Y}"
    )


def _coming(one: SetStockOut) -> int:
    """Count the copies that are there, and those that can be back from a case."""
    return one.usable + sum(
        copy.quantity
        for copy in one.copies
        if copy.back_at is not None and copy.location_kind in {"theatre", "reprocessing"}
    )


def _opened_until(one: SetStockOut, need: SetNeed) -> datetime:
    """Return when a set's turnaround begins: later than planned when it was sent away late."""
    began = need.until - timedelta(minutes=one.turnaround_minutes)
    return max(need.ends_at, began)


def _name(one: SetStockOut) -> str:
    return f"{one.system} {one.ref}" if one.system else one.ref


#: What an address or a form says of a copy.
_COPY_FIELDS = ("ref", "lot", "serial", "ownership")


#: Where the form asks what the body names otherwise: fields are called by what people read there.
_ASKED = {"/note": "/cycle", "/use_by": "/sterile_until"}


def copy_query(one: SetCopy) -> str:
    """Name a copy of a set in an address."""
    return urlencode({name: getattr(one, name) for name in _COPY_FIELDS if getattr(one, name)})


@router.get("/sets/sterile")
@requires(MOVE_STOCK)
def show_sterile(request: Request) -> Response:
    """Ask for steriliser and cycle of a set that is scanned out of sterilisation."""
    return _show_sterile(request, dict(request.query_params), [])


@router.post("/sets/sterile")
@requires(MOVE_STOCK)
def make_sterile(request: Request, values: Filled) -> Response:
    """Note that a copy of a set is sterile again, and bring it to its shelf."""
    given: dict[str, Any] = {name: values[name] for name in _COPY_FIELDS if values.get(name)}
    if values.get("sterile_until"):
        given["use_by"] = values["sterile_until"]
    if values.get("to", "").strip():
        given["to"] = place_of(values["to"].strip(), work_of(request).read(list_locations))
    try:
        body = SteriliseBody.model_validate({**given, "note": values.get("cycle", "")})
        write_once(
            request,
            values.get("once", ""),
            body,
            lambda unit: reprocessing.make_sterile(unit, body),
            SterilisedOut,
        )
    except ValidationError as error:
        return _show_sterile(request, values, faults_of(error.errors()))
    except ServiceError as error:
        faults = list(error.faults) or [FieldFault("", error.detail)]
        return _show_sterile(request, values, faults)
    done = {name: given[name] for name in _COPY_FIELDS if name in given}
    return RedirectResponse(f"/sets?{urlencode(done)}", status_code=303)


def _show_sterile(
    request: Request, values: Mapping[str, str], faults: Sequence[FieldFault]
) -> Response:
    sets, places = work_of(request).read(
        lambda unit: (set_view.list_sets(unit).sets, list_locations(unit))
    )
    found = [
        (one, copy)
        for one in sets
        for copy in one.copies
        if copy.location_kind == "reprocessing" and _is_named(copy, values)
    ]
    one, copy = found[0] if found else (None, None)
    return page(
        request,
        "set_sterile.html",
        status=422 if faults else 200,
        one=one,
        copy=copy,
        asked=f"{values.get('ref', '')} {values.get('serial') or values.get('lot', '')}".strip(),
        places=[place_words(place) for place in places if place.kind == "shelf"],
        faults=[FieldFault(_asked_at(fault.pointer), fault.reason) for fault in faults],
        values=values,
        once=values.get("once") or new_key(),
        item_name=item_name,
    )


def _is_named(copy: SetCopy, values: Mapping[str, str]) -> bool:
    named = {"ownership": "owned", **values}
    return all(getattr(copy, name) == named.get(name, "") for name in _COPY_FIELDS)


def _asked_at(pointer: str) -> str:
    return "/to" if pointer.startswith("/to/") else _ASKED.get(pointer, pointer)
