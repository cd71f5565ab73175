"""People, your own PIN, and the audit trail."""

from collections.abc import Sequence
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from pydantic import ValidationError
from starlette.responses import RedirectResponse, Response

from service.errors import FieldFault, ServiceError, SignInNeeded
from service.operations.people import accounts, audit, sign_in
from service.operations.people.permissions import ANYBODY, KEEP_PEOPLE, OWN_ACCOUNT, ROLES, requires
from service.schemas.base import OptionalText
from service.schemas.faults import faults_of
from service.schemas.people import PersonBody, PinBody
from web.audit_words import records_of, what_was_done
from web.forms import Filled, FilledForm, texts
from web.render import page, work_of

router = APIRouter()


_PAGE = 100


@router.get("/people")
@requires(KEEP_PEOPLE)
def show_people(request: Request, done: Annotated[OptionalText, Query()] = "") -> Response:
    """Show every account of the site, and which has just been added."""
    return _people(request, {}, (), added=done)


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
    return RedirectResponse(f"/people?{urlencode({'done': body.sign_in})}", status_code=303)


def _people(
    request: Request,
    values: dict[str, str],
    faults: Sequence[FieldFault],
    chosen: Sequence[str] = (),
    added: str = "",
) -> Response:
    rows = work_of(request).read(accounts.list_people).people
    status = 422 if faults else 200
    return page(
        request,
        "people.html",
        status=status,
        people=rows,
        added=next((one.name for one in rows if one.sign_in == added), ""),
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
        what_was_done=what_was_done,
        records_of=records_of,
        first=f"/audit?{urlencode(given)}" if before else "",
        older=f"/audit?{urlencode(older)}" if older else "",
    )


def _cookie(request: Request) -> str:
    return "__Host-traywright" if request.url.scheme == "https" else "traywright"


def _safe_next(target: str) -> str:
    """Return a page of ours to go on to, and never another site's."""
    # Browsers drop tabs and line breaks from an address before they read it.
    is_ours = (
        target.startswith("/") and not target.startswith(("//", "/\\")) and target.isprintable()
    )
    return target if is_ours and not target.startswith("/sign-in") else "/"


@router.get("/sign-in")
@requires(ANYBODY)
def show_sign_in(
    request: Request,
    next: Annotated[OptionalText, Query()] = "/",  # noqa: A002 - the name in the address
    locked: bool = False,
) -> Response:
    """Show the form; a session that was idle asks for the PIN only."""
    return page(request, "sign_in.html", next=_safe_next(next), locked=locked, said="", account="")


@router.post("/sign-in")
@requires(ANYBODY)
def enter(request: Request, values: Filled) -> Response:
    """Sign in with name and password; the session is new every time."""
    target = _safe_next(values.get("next", "/"))
    try:
        entered = sign_in.start_session(
            work_of(request),
            request.app.state.throttle,
            values.get("sign_in", ""),
            values.get("password", ""),
            request.state.caller,
            request.cookies.get(_cookie(request), ""),
        )
    except ServiceError as error:
        return _again(request, error, values, target, locked=False)
    return _let_in(request, entered, target)


@router.post("/sign-in/pin")
@requires(ANYBODY)
def enter_again(request: Request, values: Filled) -> Response:
    """Unlock an idle session with the PIN."""
    target = _safe_next(values.get("next", "/"))
    try:
        token = request.cookies.get(_cookie(request), "")
        if not token:
            raise SignInNeeded("There is no session to unlock: sign in.")
        entered = sign_in.unlock_session(
            work_of(request),
            request.app.state.throttle,
            token,
            values.get("pin", ""),
            request.state.caller,
        )
    except ServiceError as error:
        return _again(request, error, values, target, locked=True)
    return _let_in(request, entered, target)


def _let_in(request: Request, entered: sign_in.StartedSession, target: str) -> Response:
    response = RedirectResponse(target, status_code=303)
    response.set_cookie(
        _cookie(request),
        entered.token,
        max_age=entered.seconds,
        path="/",
        secure=request.url.scheme == "https",
        httponly=True,
        samesite="lax",
    )
    return response


def _again(
    request: Request, error: ServiceError, values: dict[str, str], target: str, *, locked: bool
) -> Response:
    status = 429 if "wait_seconds" in error.facts else 401
    response = page(
        request,
        "sign_in.html",
        status=status,
        next=target,
        locked=locked,
        said=error.detail,
        account=values.get("sign_in", ""),
    )
    if "wait_seconds" in error.facts:
        response.headers["Retry-After"] = str(error.facts["wait_seconds"])
    return response


@router.post("/sign-out")
@requires(OWN_ACCOUNT)
def leave(request: Request) -> Response:
    """End the session and have the browser forget the pages it has seen."""
    token = request.cookies.get(_cookie(request), "")
    work_of(request).write(lambda unit: sign_in.end_session(unit, token))
    response = RedirectResponse("/sign-in", status_code=303)
    response.delete_cookie(_cookie(request), path="/")
    response.headers["Clear-Site-Data"] = '"cache"'
    return response
