"""Errors as RFC 9457 problem details: the one file that knows HTTP statuses."""

import json
import logging
from collections.abc import Callable, Mapping, Sequence
from http import HTTPStatus
from typing import Any
from urllib.parse import urlencode

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, RedirectResponse
from pydantic import BaseModel
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service import errors
from service.errors import FieldFault, ServiceError
from service.schemas.faults import faults_of

MEDIA_TYPE = "application/problem+json"


FHIR_MEDIA_TYPE = "application/fhir+json"


_LOG = logging.getLogger("traywright")


_UNEXPECTED = ("unexpected", "Unexpected error")


#: Status by kind of error; a kind without its own takes its parent's.
_STATUS: dict[type[ServiceError], HTTPStatus] = {
    errors.BadInput: HTTPStatus.UNPROCESSABLE_ENTITY,
    errors.NotFound: HTTPStatus.NOT_FOUND,
    errors.Conflict: HTTPStatus.CONFLICT,
    errors.Stale: HTTPStatus.PRECONDITION_FAILED,
    errors.Required: HTTPStatus.PRECONDITION_REQUIRED,
    errors.SignInNeeded: HTTPStatus.UNAUTHORIZED,
    errors.Forbidden: HTTPStatus.FORBIDDEN,
    errors.TooManyTries: HTTPStatus.TOO_MANY_REQUESTS,
    errors.TooSlow: HTTPStatus.REQUEST_TIMEOUT,
    errors.TooLarge: HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
    errors.Unavailable: HTTPStatus.SERVICE_UNAVAILABLE,
    ServiceError: HTTPStatus.INTERNAL_SERVER_ERROR,
}


class FaultOut(BaseModel):
    """One wrong field."""

    pointer: str
    detail: str


class ProblemOut(BaseModel):
    """A problem: what went wrong, in words and in a form programs can rely on."""

    type: str
    title: str
    status: int
    detail: str
    errors: list[FaultOut] = []


#: Makes an error page: request, status, title, detail, faults.
PageRenderer = Callable[[Request, int, str, str, Sequence[FieldFault]], Response]


class _ProblemResponse(JSONResponse):
    """A problem that may repeat what was sent, halves of characters (lone surrogates) included."""

    media_type = MEDIA_TYPE

    def render(self, content: object) -> bytes:
        """Write JSON; what has no UTF-8 becomes a question mark."""
        return json.dumps(content, ensure_ascii=False).encode("utf-8", "replace")


def _documented(status: int) -> dict[str, Any]:
    schema = {"schema": {"$ref": "#/components/schemas/ProblemOut"}}
    return {"description": HTTPStatus(status).phrase, "content": {MEDIA_TYPE: schema}}


#: What every operation may answer besides success.
PROBLEM_RESPONSES: dict[int | str, dict[str, Any]] = {
    status: _documented(status)
    for status in (400, 401, 403, 404, 405, 408, 409, 412, 413, 422, 428, 503)
}


_OUTCOME = {
    "type": "object",
    "required": ["resourceType", "issue"],
    "properties": {
        "resourceType": {"const": "OperationOutcome"},
        "issue": {"type": "array", "minItems": 1, "items": {"type": "object"}},
    },
}


#: The same under the addresses of FHIR, which has its own form for errors.
OUTCOME_RESPONSES: dict[int | str, dict[str, Any]] = {
    status: {**documented, "content": {FHIR_MEDIA_TYPE: {"schema": _OUTCOME}}}
    for status, documented in PROBLEM_RESPONSES.items()
}


#: FHIR's code by status (value set issue-type); what is not here is ``exception``.
_ISSUES = {
    HTTPStatus.BAD_REQUEST: "invalid",
    HTTPStatus.UNAUTHORIZED: "login",
    HTTPStatus.FORBIDDEN: "forbidden",
    HTTPStatus.NOT_FOUND: "not-found",
    HTTPStatus.METHOD_NOT_ALLOWED: "not-supported",
    HTTPStatus.REQUEST_TIMEOUT: "timeout",
    HTTPStatus.REQUEST_ENTITY_TOO_LARGE: "too-long",
    HTTPStatus.UNPROCESSABLE_ENTITY: "invalid",
    HTTPStatus.TOO_MANY_REQUESTS: "throttled",
    HTTPStatus.SERVICE_UNAVAILABLE: "transient",
}


def status_of(error: ServiceError) -> HTTPStatus:
    """Return the status of an error: its own kind's, or its nearest parent's."""
    return next(_STATUS[kind] for kind in type(error).__mro__ if kind in _STATUS)


def problem(
    kind: str,
    title: str,
    status: int,
    detail: str,
    *,
    faults: Sequence[FieldFault] = (),
    facts: dict[str, object] | None = None,
) -> JSONResponse:
    """Make a problem response."""
    body: dict[str, object] = {
        "type": f"/api/v1/problems/{kind}",
        "title": title,
        "status": int(status),
        "detail": detail,
        "errors": [{"pointer": fault.pointer, "detail": fault.reason} for fault in faults],
    }
    return _ProblemResponse({**(facts or {}), **body}, status_code=status)


def describe_kind(kind: str) -> tuple[str, str] | None:
    """Return title and meaning of a kind of problem, or ``None`` when there is none."""
    for found in vars(errors).values():
        if getattr(found, "kind", None) == kind:
            return found.title, str(found.__doc__)
    if kind == _UNEXPECTED[0]:
        return _UNEXPECTED[1], "A fault in the service; it has been logged, and nothing was saved."
    return next(
        (
            (status.phrase, status.description or status.phrase)
            for status in HTTPStatus
            if status >= HTTPStatus.BAD_REQUEST and _kind_of(status) == kind
        ),
        None,
    )


def _kind_of(status: HTTPStatus) -> str:
    """Return the kind of a problem that HTTP itself has a word for."""
    return status.phrase.lower().replace(" ", "-")


def add_problems(app: FastAPI, page: PageRenderer) -> None:
    """Make every error of the application a problem, or a page where a person asked for one.

    Parameters
    ----------
    page
        Makes a page of request, status, title, detail and faults.
    """
    app.state.error_page = page
    app.add_exception_handler(ServiceError, _service_error)
    app.add_exception_handler(RequestValidationError, _validation_error)
    app.add_exception_handler(HTTPException, _http_error)
    app.add_exception_handler(Exception, _unexpected)


def _answer(
    request: Request,
    heading: tuple[str, str, int],
    detail: str,
    faults: Sequence[FieldFault] = (),
    facts: dict[str, object] | None = None,
) -> Response:
    """Answer a program with a problem, and a person in a browser with a page."""
    kind, title, status = heading
    if request.url.path.startswith("/api/v1/fhir/"):
        return _outcome(title, status, detail, faults)
    is_api = request.url.path.startswith("/api/")
    if not is_api and "text/html" in request.headers.get("accept", ""):
        if status == HTTPStatus.UNAUTHORIZED and request.method == "GET":
            query = urlencode({"next": request.url.path, **_locked(facts)})
            return RedirectResponse(f"/sign-in?{query}", status_code=HTTPStatus.SEE_OTHER)
        page: PageRenderer = request.app.state.error_page
        return page(request, int(status), title, detail, faults)
    return problem(kind, title, status, detail, faults=faults, facts=facts)


def _outcome(title: str, status: int, detail: str, faults: Sequence[FieldFault]) -> Response:
    """Answer a program that speaks FHIR with an OperationOutcome: an issue for each fault."""
    said = [f"{fault.pointer.lstrip('/')}: {fault.reason}" for fault in faults] or [detail]
    code = _ISSUES.get(HTTPStatus(status), "exception")
    shared = {"severity": "error", "code": code, "details": {"text": title}}
    issues = [{**shared, "diagnostics": one} for one in said]
    body = {"resourceType": "OperationOutcome", "issue": issues}
    return _ProblemResponse(body, status_code=int(status), media_type=FHIR_MEDIA_TYPE)


def _locked(facts: dict[str, object] | None) -> dict[str, str]:
    return {"locked": "true"} if facts and facts.get("locked") else {}


# Exception handlers are plain functions, so that an error page may read the site's name from the
# database without holding up other requests.
def _service_error(request: Request, error: Exception) -> Response:
    if not isinstance(error, ServiceError):
        raise error
    heading = (error.kind, error.title, status_of(error))
    return _answer(request, heading, error.detail, error.faults, error.facts)


def _validation_error(request: Request, error: Exception) -> Response:
    if not isinstance(error, RequestValidationError):
        raise error
    faults = faults_of({**one, "loc": _location(one, error.body)} for one in error.errors())
    bad = errors.BadInput
    detail = "; ".join(f"{fault.pointer or 'the request'}: {fault.reason}" for fault in faults[:3])
    return _answer(request, (bad.kind, bad.title, _STATUS[bad]), f"{detail}.", faults)


def _location(error: Mapping[str, Any], body: object) -> list[int | str]:
    """Return a field's path as the client wrote it.

    Left out are where in the request the field stood, the byte at which JSON broke off, and the
    word that says which of several kinds of body was meant.
    """
    if error["type"] == "json_invalid":
        return []
    location: tuple[int | str, ...] = error["loc"]
    part_of_request, path = location[0], list(location[1:])
    if part_of_request != "body" or not path or not isinstance(body, Mapping):
        return path
    return path[1:] if path[0] == body.get("kind") and path[0] not in body else path


def _http_error(request: Request, error: Exception) -> Response:
    if not isinstance(error, HTTPException):
        raise error
    status = HTTPStatus(error.status_code)
    kind = _kind_of(status)
    title, _ = describe_kind(kind) or (status.phrase, "")
    heading = (kind, title, error.status_code)
    response = _answer(request, heading, str(error.detail))
    response.headers.update(error.headers or {})
    return response


def _unexpected(request: Request, error: Exception) -> Response:
    _LOG.error("unexpected error at %s %s", request.method, request.url.path, exc_info=error)
    detail = (
        "Something went wrong. Nothing was saved. Try again; if it happens again, tell the "
        "administrator."
    )
    return _answer(request, (*_UNEXPECTED, HTTPStatus.INTERNAL_SERVER_ERROR), detail)


class Unforeseen:
    """ASGI middleware that answers what nobody foresaw, inside the other middleware.

    The framework's own handler stands outside all of them: its answer would carry neither the
    security headers nor the request's id.
    """

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on; what goes wrong is answered here, and raised on for the log."""
        has_begun = False

        async def watched(message: Message) -> None:
            nonlocal has_begun
            has_begun = True
            await send(message)

        try:
            await self.app(scope, receive, watched)
        except Exception as error:
            if scope["type"] == "http" and not has_begun:
                request = Request(scope, receive)
                response = await run_in_threadpool(_unexpected, request, error)
                await response(scope, receive, send)
            raise
