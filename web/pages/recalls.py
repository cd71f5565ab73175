"""Recalls: look for units, put a notice in force, see who got what, and end it."""

from collections.abc import Mapping, Sequence
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, ValidationError
from starlette.responses import RedirectResponse, Response

from service.errors import Conflict, FieldFault, ServiceError
from service.operations.people.permissions import KEEP_STOCK, READ, requires
from service.operations.recalls import notices, start
from service.schemas.base import OptionalText
from service.schemas.faults import faults_of
from service.schemas.recalls import LiftBody, RecallBody, RecallReport, RecallSearch
from web.forms import Filled, answered_before, new_key, write_once
from web.render import page, work_of

router = APIRouter()


class _RecallEnd(BaseModel):
    """Which recall is ended, and why."""

    notice: str
    reason: str


_SOUGHT = ("ref", "supplier", "lot", "serial")


_LISTED = 100


@router.get("/recalls")
@requires(READ)
def show_recalls(
    request: Request,
    ref: Annotated[OptionalText, Query()] = "",
    supplier: Annotated[OptionalText, Query()] = "",
    lot: Annotated[OptionalText, Query()] = "",
    serial: Annotated[OptionalText, Query()] = "",
) -> Response:
    """Show the recalls on record, and the units somebody looks for."""
    asked = {"ref": ref, "supplier": supplier, "lot": lot, "serial": serial}
    given = {name: value.strip() for name, value in asked.items() if value.strip()}
    if not given:
        return _show(request, asked, ())
    try:
        search = RecallSearch.model_validate(given)
        found = work_of(request).read(lambda unit: notices.search_units(unit, search))
    except ValidationError as error:
        return _show(request, asked, faults_of(error.errors()), intro="Nothing was searched for:")
    except ServiceError as error:
        faults = [*error.faults] or [FieldFault("", error.detail)]
        return _show(request, asked, faults, intro="Nothing was searched for:")
    return _show(request, given, (), found=found)


@router.post("/recalls")
@requires(KEEP_STOCK)
def start_recall(request: Request, values: Filled) -> Response:
    """Put a recall in force."""
    given = {name: values[name] for name in (*_SOUGHT, "notice", "reason") if values.get(name)}
    key = values.get("once", "")
    try:
        body = RecallBody.model_validate({**given, "quarantine": values.get("quarantine") == "yes"})
        write_once(request, key, body, lambda unit: start.start_recall(unit, body), RecallReport)
    except ValidationError as error:
        return _show(request, values, faults_of(error.errors()), key=key)
    except ServiceError as error:
        faults = [*error.faults] or [FieldFault("", error.detail)]
        return _show(request, values, faults, key=key)
    return RedirectResponse(f"/recalls/{quote(body.notice)}?done={key}", status_code=303)


@router.post("/recalls/lift")
@requires(KEEP_STOCK)
def lift_recall(request: Request, values: Filled) -> Response:
    """End a recall, or ask for it where a second person has to agree."""
    notice, key = values.get("notice", ""), values.get("once", "")
    try:
        body = LiftBody.model_validate({"reason": values["reason"]} if values.get("reason") else {})
        write_once(
            request,
            key,
            _RecallEnd(notice=notice, reason=body.reason),
            lambda unit: start.lift_recall(unit, notice, body),
            RecallReport,
        )
    except ValidationError as error:
        return _show_one(request, notice, values, faults_of(error.errors()))
    except Conflict as error:
        return _show_one(request, notice, values, [FieldFault("", error.detail)])
    return RedirectResponse(f"/recalls/{quote(notice)}?done={quote(key)}", status_code=303)


@router.get("/recalls/{notice:path}")
@requires(READ)
def show_recall(
    request: Request, notice: str, done: Annotated[OptionalText, Query()] = ""
) -> Response:
    """Show where every unit of a recall is, was or went."""
    return _show_one(request, notice, {}, (), answered_before(request, done, RecallReport))


def _show_one(
    request: Request,
    notice: str,
    values: Mapping[str, str],
    faults: Sequence[FieldFault],
    begun: RecallReport | None = None,
) -> Response:
    work = work_of(request)
    return page(
        request,
        "recall.html",
        status=422 if faults else 200,
        report=work.read(lambda unit: notices.get_recall(unit, notice)),
        begun=begun,
        values=values,
        faults=faults,
        takes_two=work.settings.recall_lifters > 1,
        once=values.get("once") or new_key(),
    )


def _show(  # noqa: PLR0917 - what was asked and what came of it
    request: Request,
    values: Mapping[str, str],
    faults: Sequence[FieldFault],
    found: RecallReport | None = None,
    intro: str = "No recall was started. Please correct:",
    key: str = "",
) -> Response:
    known = work_of(request).read(lambda unit: notices.list_recalls(unit, after="", limit=_LISTED))
    return page(
        request,
        "recalls.html",
        status=422 if faults else 200,
        recalls=known.recalls,
        has_more=known.next_after is not None,
        values=values,
        asked={name: values.get(name, "") for name in _SOUGHT},
        faults=faults,
        intro=intro,
        found=found,
        is_starting="notice" in values,
        once=key or new_key(),
    )
