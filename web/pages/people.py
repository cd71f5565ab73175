"""People, your own PIN, and the audit trail."""

from collections.abc import Sequence
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from pydantic import ValidationError
from starlette.responses import RedirectResponse, Response

from service.errors import FieldFault, ServiceError
from service.operations import accounts, audit
from service.operations.rules import KEEP_PEOPLE, OWN_ACCOUNT, ROLES, requires
from service.operations.schemas.base import OptionalText
from service.operations.schemas.faults import faults_of
from service.operations.schemas.people import PersonBody, PinBody
from web.forms import Filled, FilledForm, texts
from web.render import page, work_of

__all__ = ["router"]

router = APIRouter()

_PAGE = 100


@router.get("/people")
@requires(KEEP_PEOPLE)
def show_people(request: Request) -> Response:
    """Show every account of the site."""
    return _people(request, {}, ())


@router.post("/people")
@requires(KEEP_PEOPLE)
def add_person(request: Request, form: FilledForm) -> Response:
    """Add the account a form describes."""
    values = {name: str(form.get(name, "")) for name in ("sign_in", "name")}
    chosen = texts(form, "roles")
    try:
        body = PersonBody.model_validate(
            {**values, "roles": chosen, "password": str(form.get("password", ""))}
        )
        work_of(request).write(lambda unit: accounts.add_person(unit, body))
    except ValidationError as error:
        return _people(request, values, faults_of(error.errors()), chosen)
    except ServiceError as error:
        faults = [*error.faults] or [FieldFault("", error.detail)]
        return _people(request, values, faults, chosen)
    return RedirectResponse("/people", status_code=303)


def _people(
    request: Request,
    values: dict[str, str],
    faults: Sequence[FieldFault],
    chosen: Sequence[str] = (),
) -> Response:
    rows = work_of(request).read(accounts.list_people).people
    status = 422 if faults else 200
    return page(
        request,
        "people.html",
        status=status,
        people=rows,
        values=values,
        faults=faults,
        roles=ROLES,
        chosen=chosen,
    )


@router.get("/me")
@requires(OWN_ACCOUNT)
def show_me(request: Request) -> Response:
    """Show who is signed in."""
    return page(request, "me.html", faults=(), done=False)


@router.post("/me/pin")
@requires(OWN_ACCOUNT)
def set_pin(request: Request, values: Filled) -> Response:
    """Set your own PIN."""
    faults: list[FieldFault] = []
    try:
        body = PinBody.model_validate({"pin": values.get("pin", "")})
        work_of(request).write(lambda unit: accounts.set_pin(unit, body))
    except ValidationError:
        faults = [FieldFault("/pin", "use 6 to 12 digits")]
    except ServiceError as error:
        faults = [*error.faults] or [FieldFault("", error.detail)]
    return page(request, "me.html", status=422 if faults else 200, faults=faults, done=not faults)


@router.get("/audit")
@requires(KEEP_PEOPLE)
def show_audit(
    request: Request,
    person: Annotated[OptionalText, Query()] = "",
    case: Annotated[OptionalText, Query()] = "",
    lot: Annotated[OptionalText, Query()] = "",
    before: Annotated[int | None, Query(gt=0, le=2**31 - 1)] = None,
) -> Response:
    """Show the audit trail, the newest first, filtered by person, case or lot."""
    asked = {"person": person, "case": case, "lot": lot}
    found = work_of(request).read(
        lambda unit: audit.list_audit(unit, **asked, before=before, limit=_PAGE + 1)
    )
    lines = found.lines[:_PAGE]
    given = {name: value for name, value in asked.items() if value}
    older = {**given, "before": lines[-1].seq} if len(found.lines) > _PAGE else {}
    return page(
        request,
        "audit.html",
        lines=lines,
        asked=asked,
        first=f"/audit?{urlencode(given)}" if before else "",
        older=f"/audit?{urlencode(older)}" if older else "",
    )
