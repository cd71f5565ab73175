"""Whether the service lives and is ready, and what its problems mean."""

from fastapi import APIRouter, Request
from fastapi.responses import PlainTextResponse
from pydantic import BaseModel

from service.api.access import GuardedRoute
from service.api.deps import WorkDep
from service.api.metrics import Meter
from service.api.problems import describe_kind
from service.errors import NotFound, Unavailable
from service.operations.gauges import gauges_of
from service.operations.rules import ANYBODY, requires

__all__ = ["probes", "router"]

probes = APIRouter(tags=["health"], route_class=GuardedRoute)
router = APIRouter(tags=["health"], route_class=GuardedRoute)


class Health(BaseModel):
    """A word on how the service is."""

    status: str


class ProblemKind(BaseModel):
    """A kind of problem and what it means."""

    kind: str
    title: str
    meaning: str


@probes.get("/livez")
@requires(ANYBODY)
def live() -> Health:
    """Say that the process answers."""
    return Health(status="alive")


@probes.get("/readyz")
@requires(ANYBODY)
def ready(work: WorkDep) -> Health:
    """Say whether the database answers and has seen every migration."""
    if not work.is_ready():
        raise Unavailable("The database has not seen every migration; run 'traywright migrate'.")
    return Health(status="ready")


@probes.get("/metrics", response_class=PlainTextResponse)
@requires(ANYBODY)
def metrics(request: Request, work: WorkDep) -> PlainTextResponse:
    """Give counts for a monitor, as Prometheus text."""
    meter: Meter = request.app.state.meter
    gauges = work.read(gauges_of)
    return PlainTextResponse(meter.text(gauges), media_type="text/plain; version=0.0.4")


@router.get("/problems/{kind}")
@requires(ANYBODY)
def problem_kind(kind: str) -> ProblemKind:
    """Explain a kind of problem."""
    found = describe_kind(kind)
    if found is None:
        raise NotFound(f"There is no problem of kind '{kind}' here.")
    return ProblemKind(kind=kind, title=found[0], meaning=found[1])
