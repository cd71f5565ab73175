"""Whether the service lives and is ready, and what its problems mean."""

import json
import logging
import re
import time
import uuid
from collections import Counter
from threading import Lock

from fastapi import APIRouter, Request
from fastapi.responses import PlainTextResponse
from pydantic import BaseModel
from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.api.access import GuardedRoute
from service.api.http import WorkDep
from service.api.problems import describe_kind
from service.errors import NotFound, Unavailable
from service.operations.people.permissions import ANYBODY, requires
from service.operations.site import gauges_of

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
        raise Unavailable("The database is not up to date; run 'traywright migrate'.")
    return Health(status="ready")


@probes.get("/metrics", response_class=PlainTextResponse)
@requires(ANYBODY)
def metrics(request: Request, work: WorkDep) -> PlainTextResponse:
    """Return counts for a monitor, as Prometheus text."""
    meter: RequestMeter = request.app.state.meter
    gauges = work.read(gauges_of)
    return PlainTextResponse(meter.text(gauges), media_type="text/plain; version=0.0.4")


@router.get("/problems/{kind}")
@requires(ANYBODY)
def problem_kind(kind: str) -> ProblemKind:
    """Explain a kind of problem."""
    found = describe_kind(kind)
    if found is None:
        raise NotFound(f"There is no problem of kind '{kind}'.")
    return ProblemKind(kind=kind, title=found[0], meaning=found[1])


_LOG = logging.getLogger("traywright.request")


_BUCKETS = (0.01, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0)


_KNOWN_ID = re.compile(r"[A-Za-z0-9._-]{8,64}", re.ASCII)


class RequestMeter:
    """What has been answered since the process started."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._answers: Counter[tuple[str, str]] = Counter()
        self._checks: Counter[float] = Counter()
        self._check_seconds = 0.0
        self._check_count = 0

    def count(self, method: str, path: str, status: int, seconds: float) -> None:
        """Count an answer; the time of a list day's check is kept apart."""
        with self._lock:
            self._answers[method, str(status)] += 1
            if path.startswith(("/api/v1/checks/", "/lists/")) and method == "GET":
                self._check_count += 1
                self._check_seconds += seconds
                for bound in _BUCKETS:
                    self._checks[bound] += seconds <= bound

    def text(self, gauges: dict[str, tuple[str, float]]) -> str:
        """Write everything in the text format of Prometheus, version 0.0.4."""
        with self._lock:
            lines = [
                "# HELP traywright_requests_total Answers by method and status.",
                "# TYPE traywright_requests_total counter",
                *(
                    f'traywright_requests_total{{method="{method}",status="{status}"}} {number}'
                    for (method, status), number in sorted(self._answers.items())
                ),
                "# HELP traywright_conflicts_total Changes refused because of a conflict.",
                "# TYPE traywright_conflicts_total counter",
                f"traywright_conflicts_total {self._conflicts()}",
                "# HELP traywright_check_seconds Time to answer a list day.",
                "# TYPE traywright_check_seconds histogram",
                *(
                    f'traywright_check_seconds_bucket{{le="{bound}"}} {self._checks[bound]}'
                    for bound in _BUCKETS
                ),
                f'traywright_check_seconds_bucket{{le="+Inf"}} {self._check_count}',
                f"traywright_check_seconds_sum {self._check_seconds:.6f}",
                f"traywright_check_seconds_count {self._check_count}",
            ]
        for name, (meaning, value) in gauges.items():
            lines += [f"# HELP {name} {meaning}", f"# TYPE {name} gauge", f"{name} {value:g}"]
        return "\n".join(lines) + "\n"

    def _conflicts(self) -> int:
        return sum(n for (_, status), n in self._answers.items() if status in {"409", "412"})


class MeterMiddleware:
    """ASGI middleware: gives every request an id, counts its answer and logs one line.

    The line holds method, path, status and time; never headers, bodies or queries, where secrets
    travel.
    """

    def __init__(self, app: ASGIApp, meter: RequestMeter) -> None:
        self.app = app
        self.meter = meter

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on and note how it was answered."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        sent = dict(scope["headers"]).get(b"x-request-id", b"").decode("latin-1")
        request_id = sent if _KNOWN_ID.fullmatch(sent) else uuid.uuid4().hex
        started, status = time.perf_counter(), 500

        async def note_status(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                MutableHeaders(scope=message)["X-Request-ID"] = request_id
            await send(message)

        try:
            await self.app(scope, receive, note_status)
        finally:
            seconds = time.perf_counter() - started
            self.meter.count(scope["method"], scope["path"], status, seconds)
            facts = {
                "request_id": request_id,
                "method": scope["method"],
                "path": scope["path"],
                "status": status,
                "milliseconds": round(seconds * 1000, 1),
            }
            _LOG.info("request", extra={"facts": facts})


class JsonLines(logging.Formatter):
    """Log records as one JSON object a line."""

    def format(self, record: logging.LogRecord) -> str:
        """Write a record with its facts, if it carries any."""
        line: dict[str, object] = {
            "at": self.formatTime(record, "%Y-%m-%dT%H:%M:%S%z"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
        }
        line |= getattr(record, "facts", {})
        if record.exc_info:
            line["error"] = self.formatException(record.exc_info)
        return json.dumps(line, default=str)
