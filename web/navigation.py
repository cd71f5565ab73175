"""The links of the frame: which pages there are to start from, for whom, and which one is open."""

from collections.abc import Collection
from dataclasses import dataclass

from fastapi import FastAPI
from fastapi.routing import APIRoute

from service.operations.rules import Permission, may, permission_of

__all__ = ["Link", "links_for"]

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
    ("Files", "/import", ()),
    ("Scanner check", "/scanner", ()),
    ("Figures", "/figures", ()),
    ("People", "/people", ()),
    ("Audit trail", "/audit", ()),
)


@dataclass(frozen=True, slots=True)
class Link:
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


def links_for(app: FastAPI, roles: Collection[str], path: str) -> list[Link]:
    """Give the links to the pages that exist and that somebody with these roles may open."""
    known = _pages(app)
    return [
        Link(name, start, _current(path, start, behind), is_main)
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
