"""Whether the service lives and is ready, and what its problems mean."""

from fastapi import APIRouter
from pydantic import BaseModel

from service.api.deps import WorkDep
from service.api.problems import describe_kind
from service.errors import NotFound, Unavailable

__all__ = ["probes", "router"]

probes = APIRouter(tags=["health"])
router = APIRouter(tags=["health"])


class Health(BaseModel):
    """A word on how the service is."""

    status: str


class ProblemKind(BaseModel):
    """A kind of problem and what it means."""

    kind: str
    title: str
    meaning: str


@probes.get("/livez")
def live() -> Health:
    """Say that the process answers."""
    return Health(status="alive")


@probes.get("/readyz")
def ready(work: WorkDep) -> Health:
    """Say whether the database answers and has seen every migration."""
    if not work.is_ready():
        raise Unavailable("The database has not seen every migration; run 'traywright migrate'.")
    return Health(status="ready")


@router.get("/problems/{kind}")
def problem_kind(kind: str) -> ProblemKind:
    """Explain a kind of problem."""
    found = describe_kind(kind)
    if found is None:
        raise NotFound(f"There is no problem of kind '{kind}' here.")
    return ProblemKind(kind=kind, title=found[0], meaning=found[1])
