"""Signing in, coming back with a PIN, and leaving."""

from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import RedirectResponse, Response

from service.errors import ServiceError, SignInNeeded
from service.operations import signing_in
from service.operations.rules import ANYBODY, OWN_ACCOUNT, requires
from service.operations.schemas.base import OptionalText
from web.forms import Filled
from web.render import page, work_of

__all__ = ["router"]

router = APIRouter()


def _cookie(request: Request) -> str:
    return "__Host-traywright" if request.url.scheme == "https" else "traywright"


def _safe_next(target: str) -> str:
    """Give a page of ours to go on to, and never another site's."""
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
        entered = signing_in.enter(
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
    """Come back to an idle session with the PIN."""
    target = _safe_next(values.get("next", "/"))
    try:
        token = request.cookies.get(_cookie(request), "")
        if not token:
            raise SignInNeeded("There is no session to come back to; sign in.")
        entered = signing_in.come_back(
            work_of(request),
            request.app.state.throttle,
            token,
            values.get("pin", ""),
            request.state.caller,
        )
    except ServiceError as error:
        return _again(request, error, values, target, locked=True)
    return _let_in(request, entered, target)


def _let_in(request: Request, entered: signing_in.Entered, target: str) -> Response:
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
    work_of(request).write(lambda unit: signing_in.leave(unit, token))
    response = RedirectResponse("/sign-in", status_code=303)
    response.delete_cookie(_cookie(request), path="/")
    response.headers["Clear-Site-Data"] = '"cache"'
    return response
