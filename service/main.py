"""Join the parts: the one place where settings, work, API and pages meet."""

from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from typing import Any

from fastapi import APIRouter, Depends, FastAPI
from fastapi.routing import APIRoute

from service.api import (
    cases,
    catalogue,
    fhir,
    health,
    orders,
    par,
    people,
    planning,
    shortfalls,
    stock,
    trays,
)
from service.api.access import authorise
from service.api.health import MeterMiddleware, RequestMeter
from service.api.http import BodyLimit
from service.api.problems import PROBLEM_RESPONSES, ProblemOut, Unforeseen, add_problems
from service.operations.long_work import JobQueue
from service.operations.people.permissions import permission_of
from service.operations.people.sign_in import Throttle
from service.operations.site import refuse_demo_accounts
from service.operations.work import Work
from service.settings import Settings
from web.app import add_pages, page_routers
from web.render import error_page

API_PARTS = (
    catalogue,
    stock,
    trays,
    cases,
    planning,
    par,
    people,
    shortfalls,
    orders,
    fhir,
    health,
)


DESCRIPTION = """\
Theatre implant inventory and construct-kit planner. Lengths in mm, angles in degrees, money in
minor units, times with their time zone. Errors are problem details (RFC 9457). A planning aid: film
sizes are estimates, confirmed in theatre; the surgeon decides; instructions for use and local
policy come first.
"""


def create_app(
    settings: Settings | None = None,
    clock: Callable[[], datetime] = lambda: datetime.now(UTC),
) -> FastAPI:
    """Make the application.

    Parameters
    ----------
    settings
        Read from the environment when not given.
    clock
        Gives the present moment, aware; a test hands in its own.

    Returns
    -------
    FastAPI
        Ready to serve once its database has been migrated, which it does when it starts.
    """
    work = Work(settings or Settings(), clock)

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        work.prepare()
        work.read(refuse_demo_accounts)
        yield
        # What is being done ends first; what has not begun is told that it never will.
        app.state.long_work.close()
        work.close()

    app = FastAPI(
        title="Traywright",
        version="0.1.0",
        description=DESCRIPTION,
        lifespan=lifespan,
        docs_url=None,
        redoc_url=None,
    )
    app.state.work = work
    app.state.throttle = Throttle()
    app.state.meter = RequestMeter()
    app.state.long_work = JobQueue(clock)
    # Whoever runs the server says here when it stops: open streams then close.
    app.state.is_stopping = lambda: False
    guard = [Depends(authorise)]
    parts = [part.router for part in API_PARTS]
    _require_permissions([*parts, health.probes, *page_routers()])
    api = APIRouter(prefix="/api/v1", responses=PROBLEM_RESPONSES, dependencies=guard)
    for part in parts:
        api.include_router(part)
    app.include_router(api)
    probes: dict[int | str, dict[str, Any]] = {
        status: PROBLEM_RESPONSES[status] for status in (401, 403, 503)
    }
    app.include_router(health.probes, responses=probes, dependencies=guard)
    app.add_middleware(Unforeseen)
    app.add_middleware(
        BodyLimit,
        most_bytes=work.settings.upload_limit_bytes,
        most_seconds=work.settings.upload_seconds,
    )
    # After the limit, so that the pages' headers go on its refusals too.
    add_pages(app, guard)
    app.add_middleware(MeterMiddleware, meter=app.state.meter)
    add_problems(app, error_page)
    _document_problems(app)
    return app


def _require_permissions(routers: Sequence[APIRouter]) -> None:
    """Refuse to start with a route nobody has said who may call."""
    missing = sorted(
        f"{route.endpoint.__module__}.{route.endpoint.__name__}"
        for router in routers
        for route in router.routes
        if isinstance(route, APIRoute) and permission_of(route.endpoint) is None
    )
    if missing:
        message = f"no permission beside the route says who may call {', '.join(missing)}"
        raise RuntimeError(message)


def _document_problems(app: FastAPI) -> None:
    """Put the problem's schema where every documented error points."""
    make = app.openapi

    def openapi() -> dict[str, object]:
        described = make()
        schemas = described["components"]["schemas"]
        if "ProblemOut" not in schemas:
            schema = ProblemOut.model_json_schema(ref_template="#/components/schemas/{model}")
            schemas |= schema.pop("$defs")
            schemas["ProblemOut"] = schema
        return described

    app.openapi = openapi  # type: ignore[method-assign] # FastAPI's documented way to extend it
