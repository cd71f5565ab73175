"""Fill a template: the frame every page shares, and words for states."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from http import HTTPStatus
from pathlib import Path
from typing import Any
from urllib.parse import quote
from zoneinfo import ZoneInfo

from fastapi import FastAPI, Request
from fastapi.routing import APIRoute
from fastapi.templating import Jinja2Templates
from starlette.responses import Response

from service.core.catalogue import ITEM_KINDS
from service.errors import FieldFault, Unavailable
from service.operations.cases.lookup import OPEN_STATUSES
from service.operations.orders.states import order_allows
from service.operations.people.permissions import PERMISSIONS, Permission, may, permission_of
from service.operations.site import latest_change, site_facts
from service.operations.work import CAUTION, SYSTEM, Work
from web import formats
from web.labels import FIELD_LABELS, fault_of, field_name, field_of, figure_name, plain

_TEMPLATES = Jinja2Templates(directory=Path(__file__).parent / "templates")


#: State, and the shape that stands beside the word so that colour never speaks alone.
SHAPES = {
    "well": "●",
    "part": "◐",
    "wait": "◔",
    "gap": "○",
    "quiet": "–",
    "covered": "●",
    "covered if": "◔",
    "partly covered": "◐",
    "not covered": "○",
    "not planned": "–",
    "cannot be sized": "?",
    "closed": "■",
}


#: The style sheets of every page, in `web/static/styles`; the first one orders the layers.
STYLE_SHEETS = ("tokens", "base", "parts", "pictures", "print")


#: What to do after an error, by its status; others by their hundred.
_NEXT_STEPS = {
    HTTPStatus.UNAUTHORIZED: "Sign in, then do it again.",
    HTTPStatus.FORBIDDEN: "Ask a colleague with that role, or sign in with another account.",
    HTTPStatus.NOT_FOUND: "Check the spelling, or find it from the list day or the stock.",
    HTTPStatus.CONFLICT: "Go back, see what has changed, and do it again if it is still right.",
    HTTPStatus.PRECONDITION_FAILED: "Go back, read what somebody else has changed, and do it again "
    "if it is still right.",
    HTTPStatus.TOO_MANY_REQUESTS: "Wait, then try again.",
    HTTPStatus.SERVICE_UNAVAILABLE: "Wait a minute and try again. If it goes on, tell whoever "
    "runs the service, and work from the last printed list.",
    HTTPStatus.INTERNAL_SERVER_ERROR: "Try again. If it goes on, tell whoever runs the service "
    "what you did and when.",
}


def _slug(state: str) -> str:
    return state.replace(" ", "-")


_TEMPLATES.env.filters |= {
    "day": formats.day,
    "full_day": formats.full_day,
    "clock": formats.clock,
    "stamp": formats.stamp,
    "full_stamp": formats.full_stamp,
    "percent": formats.percent,
    "money": formats.money,
    "refs": formats.refs,
    "whole_money": formats.whole_money,
    "said": formats.said,
    "in_unit": formats.in_unit,
    "slug": _slug,
    "path": quote,
    "plain": plain,
    "field": field_name,
    "figure": figure_name,
}


_TEMPLATES.env.globals |= {
    **{permission.name: permission for permission in PERMISSIONS},
    "OPEN_STATUSES": OPEN_STATUSES,
    "order_allows": order_allows,
    "shapes": SHAPES,
    "style_sheets": STYLE_SHEETS,
    "caution": CAUTION,
    "item_kinds": ITEM_KINDS,
    "labels": FIELD_LABELS,
    "fault_of": fault_of,
    "field_of": field_of,
}


_TEMPLATES.env.autoescape = True


def work_of(request: Request) -> Work:
    """Return the caller's door to the rows; before anybody is known, the service's own."""
    work = getattr(request.state, "work", None) or request.app.state.work
    if not isinstance(work, Work):
        message = "create_app puts the work on the application's state"
        raise TypeError(message)
    return work


def note_change(request: Request) -> None:
    """Remember the newest change before a page reads anything.

    What changes while the page is made is then shown to it as new, and never missed.
    """
    if getattr(request.state, "work", None) is None:
        return
    work = work_of(request)

    def look() -> None:
        request.state.seen_change = work.read(latest_change).version

    if request.method in {"GET", "HEAD"}:
        look()
    else:
        # A form that leads on to another page shows nothing, and reads nothing outside its change.
        work.before_reading = look


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
    with formats.on_day(facts["site"].today):
        return _TEMPLATES.TemplateResponse(request, name, facts, status_code=status)


def error_page(
    request: Request, status: int, title: str, detail: str, faults: Sequence[FieldFault]
) -> Response:
    """Say on a page what happened, whether anything was saved, and what to do.

    When not even the site's name can be read, the page goes without.
    """
    title, detail = _on_page(request, status, title, detail)
    facts = {"title": title, "detail": detail, "what_to_do": _what_to_do(status)}
    try:
        return page(request, "error.html", status=status, code=status, faults=faults, **facts)
    except Unavailable:
        return _TEMPLATES.TemplateResponse(request, "no_rows.html", facts, status_code=status)


def _on_page(request: Request, status: int, title: str, detail: str) -> tuple[str, str]:
    """Say of a page that cannot be opened that it is the page; nothing was to be saved there."""
    if request.method not in {"GET", "HEAD"}:
        return title, detail
    if status == HTTPStatus.FORBIDDEN:
        return "You cannot open this page", detail.replace("can do this", "can open this")
    if status == HTTPStatus.NOT_FOUND:
        address = f"There is no page {request.url.path}."
        return "Page not found", address if detail == HTTPStatus.NOT_FOUND.phrase else detail
    return title, detail


def _what_to_do(status: int) -> str:
    if status in _NEXT_STEPS:
        return _NEXT_STEPS[HTTPStatus(status)]
    return "Go back, correct what is named above, and send it again."


#: The pages people start from: name, path, and the paths of the pages behind it.
_MAIN = (
    ("List day", "/", ("/lists", "/cases")),
    ("Stock", "/stock", ("/items",)),
    ("Sets", "/sets", ()),
    ("Shortfalls", "/shortfalls", ()),
    ("Orders and loans", "/orders", ("/loans",)),
)


_MORE = (
    ("Par levels", "/par", ()),
    ("Expiring", "/expiring", ()),
    ("Recalls", "/recalls", ()),
    ("Transfers", "/transfers", ()),
    ("Suppliers", "/suppliers", ()),
    ("Import", "/import", ()),
    ("Scanner check", "/scanner", ()),
    ("Sizing assumptions", "/figures", ()),
    ("People", "/people", ()),
    ("Audit trail", "/audit", ()),
    ("Components", "/looks", ()),
)


@dataclass(frozen=True, slots=True)
class NavigationLink:
    """A link of the frame.

    Parameters
    ----------
    current
        ``page`` when it is the page that is open, ``true`` when that page is behind it, else empty.
    is_main
        Whether it stands among the pages of daily work; the others are under More.
    """

    name: str
    path: str
    current: str
    is_main: bool


def links_for(app: FastAPI, roles: Collection[str], path: str) -> list[NavigationLink]:
    """Return the links to the pages that exist and that somebody with these roles may open."""
    known = _pages(app)
    return [
        NavigationLink(name, start, _current(path, start, behind), is_main)
        for pages, is_main in ((_MAIN, True), (_MORE, False))
        for name, start, behind in pages
        if start in known and may(roles, known[start])
    ]


def _current(path: str, start: str, behind: tuple[str, ...]) -> str:
    if path == start:
        return "page"
    folders = behind if start == "/" else (start, *behind)
    return "true" if any(path.startswith(f"{one}/") or path == one for one in folders) else ""


def _pages(app: FastAPI) -> dict[str, Permission]:
    """Find what every page requires, by its path."""
    known = getattr(app.state, "pages", None)
    if known is None:
        known = app.state.pages = {
            route.path: permission
            for router in app.state.page_routers
            for route in router.routes
            if isinstance(route, APIRoute) and "GET" in (route.methods or ())
            if (permission := permission_of(route.endpoint)) is not None
        }
    return dict(known)
