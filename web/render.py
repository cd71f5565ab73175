"""Fill a template: the frame every page shares, and words for states."""

from collections.abc import Sequence
from datetime import date, datetime
from http import HTTPStatus
from pathlib import Path
from typing import Any
from urllib.parse import quote
from zoneinfo import ZoneInfo

from fastapi import Request
from fastapi.templating import Jinja2Templates
from starlette.responses import Response

from service.core.items import ITEM_KINDS
from service.errors import FieldFault, Unavailable
from service.operations.caller import SYSTEM
from service.operations.live import latest_change
from service.operations.rules import PERMISSIONS, may
from service.operations.site import site_facts
from service.operations.unit import Work
from service.operations.words import CAUTION
from web.labels import FIELD_LABELS, fault_of, field_name, field_of, figure_name, plain
from web.navigation import links_for
from web.shares import in_hundred

__all__ = ["error_page", "note_change", "page", "work_of"]

_TEMPLATES = Jinja2Templates(directory=Path(__file__).parent / "templates")

#: State, and the shape that stands beside the word so that colour never speaks alone.
SHAPES = {
    "well": "●",
    "part": "◐",
    "gap": "○",
    "quiet": "–",
    "covered": "●",
    "partly covered": "◐",
    "not covered": "○",
    "not planned": "–",
    "cannot be sized": "?",
    "closed": "■",
}


def _day(value: date) -> str:
    return f"{value:%a} {value.day} {value:%b %Y}"


#: What to do after an error, by its status; others by their hundred.
_NEXT_STEPS = {
    HTTPStatus.UNAUTHORIZED: "Sign in, then do it again.",
    HTTPStatus.FORBIDDEN: "Ask somebody whose work it is, or sign in as somebody else.",
    HTTPStatus.NOT_FOUND: "Check how it is written, or look it up from the list day or the stock.",
    HTTPStatus.CONFLICT: "Go back, see how things stand now, and do it again if it is still right.",
    HTTPStatus.PRECONDITION_FAILED: "Go back, read what somebody else has changed, and do it again "
    "if it is still right.",
    HTTPStatus.TOO_MANY_REQUESTS: "Wait, then try again.",
    HTTPStatus.SERVICE_UNAVAILABLE: "Wait a minute and try again. If it stays so, tell whoever "
    "runs the service; until then work from the last printed list.",
    HTTPStatus.INTERNAL_SERVER_ERROR: "Try again. If it stays so, tell whoever runs the service "
    "what you did and when.",
}


def _stamp(value: datetime) -> str:
    return f"{_day(value)}, {_clock(value)}"


def _clock(value: datetime) -> str:
    return f"{value:%H:%M}"


def _slug(state: str) -> str:
    return state.replace(" ", "-")


_TEMPLATES.env.filters |= {
    "day": _day,
    "clock": _clock,
    "stamp": _stamp,
    "slug": _slug,
    "path": quote,
    "plain": plain,
    "in_hundred": in_hundred,
    "field": field_name,
    "figure": figure_name,
}
_TEMPLATES.env.globals |= {
    **{permission.name: permission for permission in PERMISSIONS},
    "shapes": SHAPES,
    "caution": CAUTION,
    "item_kinds": ITEM_KINDS,
    "labels": FIELD_LABELS,
    "fault_of": fault_of,
    "field_of": field_of,
}
_TEMPLATES.env.autoescape = True


def work_of(request: Request) -> Work:
    """Give the caller's door to the rows; before anybody is known, the service's own."""
    work = getattr(request.state, "work", None) or request.app.state.work
    if not isinstance(work, Work):
        message = "create_app puts the work on the application's state"
        raise TypeError(message)
    return work


def note_change(request: Request) -> None:
    """Remember the newest change before a page reads anything.

    What changes while the page is made is then shown to it as new, and never missed.
    """
    if getattr(request.state, "work", None) is not None:
        request.state.seen_change = work_of(request).read(latest_change).version


def page(request: Request, name: str, *, status: int = 200, **facts: Any) -> Response:  # noqa: ANN401 - what a template shows is its own business
    """Fill a template inside the frame."""
    work = work_of(request)
    facts["site"] = work.read(site_facts)
    facts["seen_change"] = getattr(request.state, "seen_change", "")
    caller = getattr(request.state, "caller", None) or SYSTEM
    facts["me"] = caller if caller.person_id is not None else None
    facts["form_token"] = caller.form_token
    facts["links"] = links_for(request.app, caller.roles, request.url.path) if facts["me"] else []
    facts["may"] = lambda permission: may(caller.roles, permission)
    facts["now"] = work.clock().astimezone(ZoneInfo(facts["site"].timezone))
    return _TEMPLATES.TemplateResponse(request, name, facts, status_code=status)


def error_page(
    request: Request, status: int, title: str, detail: str, faults: Sequence[FieldFault]
) -> Response:
    """Say on a page what happened, whether anything was saved, and what to do.

    When not even the site's name can be read, the page goes without.
    """
    facts = {"title": title, "detail": detail, "what_to_do": _what_to_do(status)}
    try:
        return page(request, "error.html", status=status, code=status, faults=faults, **facts)
    except Unavailable:
        return _TEMPLATES.TemplateResponse(request, "no_rows.html", facts, status_code=status)


def _what_to_do(status: int) -> str:
    if status in _NEXT_STEPS:
        return _NEXT_STEPS[HTTPStatus(status)]
    return "Go back, correct what is said above, and send it again."
