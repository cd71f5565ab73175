"""Join the parts: the one place where settings, work, API and pages meet."""

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime

from fastapi import APIRouter, FastAPI

from service.api import (
    cases,
    expiry,
    health,
    items,
    ledger,
    planning,
    readiness,
    recalls,
    scans,
    stock,
)
from service.api.limits import BodyLimit
from service.api.problems import PROBLEM_RESPONSES, ProblemOut, add_problems
from service.operations.unit import Work
from service.settings import Settings
from web.app import add_pages
from web.render import error_page

__all__ = ["create_app"]

DESCRIPTION = """\
Theatre implant inventory and construct-kit planner. Lengths in mm, angles in degrees, money in
minor units, times with their zone. Errors are problem details (RFC 9457). A planning aid: film
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
        yield
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
    api = APIRouter(prefix="/api/v1", responses=PROBLEM_RESPONSES)
    for part in (items, stock, ledger, cases, planning, readiness, scans, recalls, expiry, health):
        api.include_router(part.router)
    app.include_router(api)
    app.include_router(health.probes, responses={503: PROBLEM_RESPONSES[503]})
    app.add_middleware(BodyLimit, most_bytes=work.settings.upload_limit_bytes)
    # After the limit, so that the pages' headers go on its refusals too.
    add_pages(app)
    add_problems(app, error_page)
    _document_problems(app)
    return app


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
