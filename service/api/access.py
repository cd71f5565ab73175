"""Who may call what: every request passes here before its handler, and before its body is read.

A session's cookie or a token says who asks; the permission of the handler says who may. A change
that comes with a cookie must come from our own pages: its Origin is ours, and it carries the
session's form token.
"""

import hmac
from collections.abc import Callable, Coroutine
from typing import Annotated, Any
from urllib.parse import urlsplit

from fastapi import Depends, Request, Response
from fastapi.routing import APIRoute
from starlette.concurrency import run_in_threadpool

from service.errors import Forbidden, SignInNeeded
from service.operations.people import sign_in
from service.operations.people.audit import trail
from service.operations.people.permissions import (
    ANYBODY,
    FOLLOW,
    Permission,
    permission_of,
    require,
)
from service.operations.work import Caller, Work

SAFE = frozenset({"GET", "HEAD", "OPTIONS"})


_FORMS = ("application/x-www-form-urlencoded", "multipart/form-data")


def cookie_name(request: Request) -> str:
    """Return the session cookie's name: bound to host and TLS by its prefix where there is TLS."""
    return "__Host-traywright" if request.url.scheme == "https" else "traywright"


def operation_of(request: Request) -> str:
    """Name the handler that will answer, as the trail does."""
    endpoint = request.scope.get("endpoint")
    module = getattr(endpoint, "__module__", "").removeprefix("service.")
    return f"{module}.{getattr(endpoint, '__name__', '')}"


async def authorise(request: Request) -> Caller:
    """Find out who asks and refuse who lacks the permission; once for each request."""
    known = getattr(request.state, "caller", None)
    if isinstance(known, Caller):
        return known
    permission = permission_of(request.scope.get("endpoint"))
    if permission is None:
        raise Forbidden("Nobody may do this: no permission is set for it.")
    operation = operation_of(request)
    address = request.client.host if request.client else ""
    asked = Caller("somebody", operation=operation, subject=request.url.path, address=address)
    work: Work = request.app.state.work
    # In a thread: the rows are read there, and nobody else waits meanwhile.
    caller = await run_in_threadpool(_caller, request, work, asked, permission)
    if caller is None:
        if permission != ANYBODY:
            raise SignInNeeded("Sign in with your name and password, or send a valid token.")
        caller = asked
    else:
        require(caller, permission)
    if request.method not in SAFE and "authorization" not in request.headers:
        _require_own_origin(request)
        if caller.form_token:
            await _require_form_token(request, caller)
    request.state.caller = caller
    request.state.work = work.for_caller(caller, lambda unit: trail(unit, caller))
    return caller


def _caller(request: Request, work: Work, asked: Caller, permission: Permission) -> Caller | None:
    authorization = request.headers.get("authorization", "")
    if authorization:
        kind, _, token = authorization.partition(" ")
        caller = None
        if kind.lower() == "bearer" and token:
            caller = sign_in.caller_of_token(work, token.strip(), asked)
        if caller is None:
            raise SignInNeeded("This token is unknown, has expired or was revoked.")
        return caller
    token = request.cookies.get(cookie_name(request), "")
    if not token:
        return None
    try:
        is_use = _is_use(request, permission)
        return sign_in.caller_of_session(work, token, asked, is_use=is_use)
    except SignInNeeded:
        # Who comes to sign in again must not be stopped by the session that has ended.
        if permission == ANYBODY:
            return None
        raise


def _is_use(request: Request, permission: Permission) -> bool:
    """Tell a person's request from what an open page asks by itself, which keeps nobody in."""
    by_itself = permission == FOLLOW or "x-unattended" in request.headers
    return not (by_itself and request.method in SAFE)


def _require_own_origin(request: Request) -> None:
    """Refuse a change that another site's page sends with this browser's cookies."""
    origin = request.headers.get("origin")
    if origin is not None and urlsplit(origin).netloc != request.headers.get("host", ""):
        raise Forbidden("This form was sent from another website. Nothing was saved.")


async def _require_form_token(request: Request, caller: Caller) -> None:
    """Refuse a change that does not carry what only our own pages of this session know."""
    sent = request.headers.get("x-form-token", "")
    if not sent and request.headers.get("content-type", "").startswith(_FORMS):
        form = await request.form(max_fields=200, max_files=1)
        sent = str(form.get("form_token", ""))
    if not hmac.compare_digest(sent.encode(), caller.form_token.encode()):
        raise Forbidden("This form is out of date. Open the page again. Nothing was saved.")


class GuardedRoute(APIRoute):
    """A route that asks who may call before it reads the body.

    FastAPI reads and parses a JSON body before any dependency runs: without this, somebody whom
    nobody knows would have files read and faults of their JSON explained.
    """

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """Put the question who asks before what FastAPI does."""
        answer = super().get_route_handler()

        async def guarded(request: Request) -> Response:
            await authorise(request)
            return await answer(request)

        return guarded


CallerDep = Annotated[Caller, Depends(authorise)]
