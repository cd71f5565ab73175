"""Put the pages, their static files and their headers on the application."""

from collections.abc import Sequence
from pathlib import Path

from fastapi import APIRouter, Depends, FastAPI
from fastapi.params import Depends as DependsParam
from starlette.datastructures import MutableHeaders
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from web.pages import (
    cases,
    figures,
    guides,
    imports,
    items,
    list_day,
    live,
    looks,
    orders,
    par,
    par_proposal,
    people,
    pick_list,
    plans,
    recalls,
    receiving,
    sets,
    shortfalls,
    stock,
    suppliers,
    transfers,
    trays,
)
from web.render import note_change

#: No inline script or style, nothing from elsewhere, no frame around us.
POLICY = (
    "default-src 'none'; object-src 'none'; script-src 'self'; style-src 'self'; "
    "img-src 'self' data:; font-src 'self'; connect-src 'self'; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'"
)


YEAR_OF_TLS = "max-age=31536000; includeSubDomains"


HEADERS = {
    "Content-Security-Policy": POLICY,
    "Referrer-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
}


def page_routers() -> list[APIRouter]:
    """Return the routers of every page."""
    parts = (
        list_day,
        cases,
        plans,
        pick_list,
        sets,
        stock,
        items,
        recalls,
        transfers,
        shortfalls,
        receiving,
        orders,
        suppliers,
        par,
        par_proposal,
        imports,
        figures,
        guides,
        looks,
        people,
        live,
        trays,
    )
    return [part.router for part in parts]


def add_pages(app: FastAPI, guard: Sequence[DependsParam]) -> None:
    """Add every page, the static files and the headers that go with them.

    Parameters
    ----------
    guard
        What every page passes before it is shown.
    """
    app.state.page_routers = page_routers()
    for router in app.state.page_routers:
        app.include_router(
            router, include_in_schema=False, dependencies=[*guard, Depends(note_change)]
        )
    app.mount("/static", StaticFiles(directory=Path(__file__).parent / "static"), name="static")
    app.mount("/fonts", StaticFiles(packages=[("fontpkg_atkinson_hyperlegible", "files")]))
    app.add_middleware(_Headers)


class _Headers:
    """ASGI middleware that puts the security headers on every answer."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                if headers.get("content-type", "").startswith("text/html"):
                    # A page shown to somebody must not come back after they have signed out.
                    headers.setdefault("Cache-Control", "no-store")
                elif scope["path"].startswith("/fonts/"):
                    headers.setdefault("Cache-Control", "public, max-age=2592000")
                elif scope["path"].startswith("/static/"):
                    # Asked for again each time, so that styles and scripts fit the pages.
                    headers.setdefault("Cache-Control", "no-cache")
                if scope.get("scheme") == "https":
                    headers.setdefault("Strict-Transport-Security", YEAR_OF_TLS)
            await send(message)

        await self.app(scope, receive, with_headers if scope["type"] == "http" else send)
