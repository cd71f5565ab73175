"""Fill a template: the frame every page shares, and words for states."""

from collections.abc import Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote
from zoneinfo import ZoneInfo

from fastapi import Request
from fastapi.templating import Jinja2Templates
from starlette.responses import Response

from service.core.items import ITEM_KINDS
from service.errors import FieldFault
from service.operations.caller import SYSTEM
from service.operations.rules import may
from service.operations.site import site_facts
from service.operations.unit import Work
from service.operations.words import CAUTION
from web.labels import FIELD_LABELS, fault_of, field_name, field_of, figure_name, plain

__all__ = ["error_page", "page", "work_of"]

_TEMPLATES = Jinja2Templates(directory=Path(__file__).parent / "templates")

#: State, and the shape that stands beside the word so that colour never speaks alone.
SHAPES = {
    "covered": "●",
    "partly covered": "◐",
    "not covered": "○",
    "not planned": "–",
    "cannot be sized": "?",
    "closed": "■",
}


def _day(value: date) -> str:
    return f"{value:%a} {value.day} {value:%b %Y}"


def _clock(value: datetime) -> str:
    return f"{value:%H:%M}"


def _slug(state: str) -> str:
    return state.replace(" ", "-")


_TEMPLATES.env.filters |= {
    "day": _day,
    "clock": _clock,
    "slug": _slug,
    "path": quote,
    "plain": plain,
    "field": field_name,
    "figure": figure_name,
}
_TEMPLATES.env.globals |= {
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


def page(request: Request, name: str, *, status: int = 200, **facts: Any) -> Response:  # noqa: ANN401 - what a template shows is its own business
    """Fill a template inside the frame."""
    work = work_of(request)
    facts["site"] = work.read(site_facts)
    caller = getattr(request.state, "caller", None) or SYSTEM
    facts["me"] = caller if caller.person_id is not None else None
    facts["form_token"] = caller.form_token
    facts["may"] = lambda operation: may(caller.roles, operation)
    facts["now"] = work.clock().astimezone(ZoneInfo(facts["site"].timezone))
    return _TEMPLATES.TemplateResponse(request, name, facts, status_code=status)


def error_page(
    request: Request, status: int, title: str, detail: str, faults: Sequence[FieldFault]
) -> Response:
    """Say on a page what happened, whether anything was saved, and what to do."""
    return page(request, "error.html", status=status, title=title, detail=detail, faults=faults)
