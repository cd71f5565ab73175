"""People, your own PIN, and the audit trail."""

from typing import Annotated

from fastapi import APIRouter, Query, Request
from pydantic import ValidationError
from starlette.responses import RedirectResponse, Response

from service.errors import FieldFault, ServiceError
from service.operations import accounts, audit
from service.operations.faults import faults_of
from service.operations.rules import ROLES
from service.operations.schemas.base import OptionalText
from service.operations.schemas.people import PersonBody, PinBody
from web.forms import Filled, FilledForm, texts
from web.render import page, work_of

__all__ = ["router"]

router = APIRouter()

_PAGE = 100


@router.get("/people")
def show_people(request: Request) -> Response:
    """Show every account of the site."""
    return _people(request, {}, ())


@router.post("/people")
def add_person(request: Request, form: FilledForm) -> Response:
    """Add the account a form describes."""
    values = {name: str(form.get(name, "")) for name in ("sign_in", "name")}
    try:
        body = PersonBody.model_validate(
            {**values, "roles": texts(form, "roles"), "password": str(form.get("password", ""))}
        )
        work_of(request).write(lambda unit: accounts.add_person(unit, body))
    except ValidationError as error:
        return _people(request, values, faults_of(error.errors()))
    except ServiceError as error:
        return _people(request, values, [*error.faults] or [FieldFault("", error.detail)])
    return RedirectResponse("/people", status_code=303)


def _people(request: Request, values: dict[str, str], faults: object) -> Response:
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
    )


@router.get("/me")
def show_me(request: Request) -> Response:
    """Show who is signed in."""
    return page(request, "me.html", faults=(), done=False)


@router.post("/me/pin")
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
def show_audit(
    request: Request,
    person: Annotated[OptionalText, Query()] = "",
    case: Annotated[OptionalText, Query()] = "",
    lot: Annotated[OptionalText, Query()] = "",
) -> Response:
    """Show the audit trail, the newest first, filtered by person, case or lot."""
    asked = {"person": person, "case": case, "lot": lot}
    found = work_of(request).read(
        lambda unit: audit.list_audit(unit, **asked, before=None, limit=_PAGE)
    )
    return page(request, "audit.html", lines=found.lines, asked=asked)
