"""Errors as RFC 9457 problem details: the one file that knows HTTP statuses."""

import logging
from collections.abc import Callable, Sequence
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel
from starlette.exceptions import HTTPException

from service import errors
from service.errors import FieldFault, ServiceError
from service.operations.faults import faults_of

__all__ = ["PROBLEM_RESPONSES", "add_problems", "describe_kind", "problem", "status_of"]

MEDIA_TYPE = "application/problem+json"
_LOG = logging.getLogger("traywright")

#: Status by kind of error; a kind without its own takes its parent's.
_STATUS: dict[type[ServiceError], HTTPStatus] = {
    errors.BadInput: HTTPStatus.UNPROCESSABLE_ENTITY,
    errors.NotFound: HTTPStatus.NOT_FOUND,
    errors.Conflict: HTTPStatus.CONFLICT,
    errors.Stale: HTTPStatus.PRECONDITION_FAILED,
    errors.Required: HTTPStatus.PRECONDITION_REQUIRED,
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


def _documented(status: int) -> dict[str, Any]:
    schema = {"schema": {"$ref": "#/components/schemas/ProblemOut"}}
    return {"description": HTTPStatus(status).phrase, "content": {MEDIA_TYPE: schema}}


#: What every operation may answer besides success.
PROBLEM_RESPONSES: dict[int | str, dict[str, Any]] = {
    status: _documented(status) for status in (400, 404, 405, 409, 412, 413, 422, 428, 503)
}


def status_of(error: ServiceError) -> HTTPStatus:
    """Give the status of an error: its own kind's, or its nearest parent's."""
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
    return JSONResponse({**(facts or {}), **body}, status_code=status, media_type=MEDIA_TYPE)


def describe_kind(kind: str) -> tuple[str, str] | None:
    """Give title and meaning of a kind of problem, or ``None`` when there is none."""
    for name in errors.__all__:
        found = getattr(errors, name)
        if getattr(found, "kind", None) == kind:
            return found.title, str(found.__doc__)
    return None


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
    is_api = request.url.path.startswith("/api/")
    if not is_api and "text/html" in request.headers.get("accept", ""):
        page: PageRenderer = request.app.state.error_page
        return page(request, int(status), title, detail, faults)
    return problem(kind, title, status, detail, faults=faults, facts=facts)


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
    faults = faults_of(
        {**one, "loc": [part for part in one["loc"] if part != "body"]} for one in error.errors()
    )
    bad = errors.BadInput
    detail = "; ".join(f"{fault.pointer or 'the body'}: {fault.reason}" for fault in faults[:3])
    return _answer(request, (bad.kind, bad.title, _STATUS[bad]), f"{detail}.", faults)


def _http_error(request: Request, error: Exception) -> Response:
    if not isinstance(error, HTTPException):
        raise error
    phrase = HTTPStatus(error.status_code).phrase
    heading = (phrase.lower().replace(" ", "-"), phrase, error.status_code)
    response = _answer(request, heading, str(error.detail))
    response.headers.update(error.headers or {})
    return response


def _unexpected(request: Request, error: Exception) -> Response:
    _LOG.error("unexpected error at %s %s", request.method, request.url.path, exc_info=error)
    detail = "Something went wrong that nobody foresaw. Nothing was saved."
    heading = ("unexpected", "Unexpected error", HTTPStatus.INTERNAL_SERVER_ERROR)
    return problem(*heading, detail)
