"""Work that takes longer than somebody waits for a page: one thing after the other, told live.

One thread does it. What is asked for has a token that nobody can guess, and is told to nobody but
whoever asked. Nothing of it is in the database before it is done: an import is one transaction, so
work that breaks off has saved nothing.
"""

import logging
import secrets
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any, Literal

from service.errors import NotFound, ServiceError, Unavailable

#: How long what came of a job can be read.
KEPT = timedelta(hours=1)


#: Jobs begun or waiting at one moment.
MOST_WAITING = 8


#: Says how far something is: the stage, how many of its steps are done, and of how many; 0 steps
#: where nobody can tell.
Report = Callable[[str, int, int], None]


State = Literal["waiting", "running", "done", "failed"]


_LOG = logging.getLogger("traywright")


def no_report(_stage: str, _done: int, _total: int) -> None:
    """Tell nobody how far something is."""


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a job is, at one moment.

    Parameters
    ----------
    stage
        What is being done, in words.
    done, total
        Steps of this stage; ``total`` is 0 where nobody can tell.
    """

    stage: str = "waiting for earlier jobs to finish"
    done: int = 0
    total: int = 0


@dataclass(frozen=True, slots=True)
class Job:
    """One piece of work as its owner sees it.

    Parameters
    ----------
    token
        Names it; random.
    owner
        Whoever asked: the person's key, ``None`` for the service itself.
    title
        What it is, in words.
    shown_at
        The page that shows what came of it.
    facts
        What that page needs beside the result, such as what had been chosen.
    result, error
        What came of it; both ``None`` until it is ``done`` or ``failed``.
    """

    token: str
    owner: int | None
    title: str
    shown_at: str
    started_at: datetime
    facts: dict[str, Any]
    state: State = "waiting"
    progress: Progress = field(default_factory=Progress)
    ended_at: datetime | None = None
    result: Any = None
    error: ServiceError | None = None

    @property
    def is_over(self) -> bool:
        """Whether anything can still happen."""
        return self.state in {"done", "failed"}


class JobQueue:
    """Does long work, one job at a time, in the order asked.

    Parameters
    ----------
    clock
        Gives the present moment, aware.
    """

    def __init__(self, clock: Callable[[], datetime]) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._jobs: dict[str, Job] = {}
        self._worker: ThreadPoolExecutor | None = None
        self._is_closed = False

    def start(
        self,
        owner: int | None,
        title: str,
        shown_at: str,
        work: Callable[[Report], object],
        **facts: object,
    ) -> Job:
        """Put work in line.

        Parameters
        ----------
        work
            Does it, says how far it is, and gives what came of it; runs in another thread.

        Raises
        ------
        Unavailable
            When too much is waiting, or the service is stopping.
        """
        with self._lock:
            self._forget()
            waiting = sum(not job.is_over for job in self._jobs.values())
            if self._is_closed or waiting >= MOST_WAITING:
                why = "is stopping" if self._is_closed else f"has {waiting} jobs waiting"
                raise Unavailable(f"The service {why}. Nothing was saved; try again in a minute.")
            token = secrets.token_urlsafe(24)
            job = Job(token, owner, title, shown_at, self._clock(), facts)
            self._jobs[token] = job
            if self._worker is None:
                self._worker = ThreadPoolExecutor(1, thread_name_prefix="long-work")
            self._worker.submit(self._run, token, work)
        return job

    def look(self, token: str, owner: int | None) -> Job:
        """Return a job to whoever asked for it.

        Raises
        ------
        NotFound
            For a token of somebody else's, or one that is not known or not known any more.
        """
        with self._lock:
            self._forget()
            job = self._jobs.get(token)
        if job is None or job.owner != owner:
            raise NotFound(
                "This job was not found. Results are kept for an hour and are lost at a restart. A "
                "job that had not finished has saved nothing."
            )
        return job

    @property
    def is_open(self) -> bool:
        """Whether it takes more work."""
        return not self._is_closed

    def close(self) -> None:
        """Take nothing more, let the job that runs end, and say of the others that they did not."""
        with self._lock:
            self._is_closed = True
            worker = self._worker
        if worker is not None:
            worker.shutdown(wait=True)

    def _run(self, token: str, work: Callable[[Report], object]) -> None:
        if self._is_closed:
            stopped = Unavailable("The service stopped before this job started. Nothing was saved.")
            self._change(token, state="failed", error=stopped, ended_at=self._clock())
            return
        self._change(token, state="running", progress=Progress("beginning"))
        try:
            result = work(lambda *told: self._change(token, progress=Progress(*told)))
        except ServiceError as error:
            self._change(token, state="failed", error=error, ended_at=self._clock())
        except Exception as error:  # noqa: BLE001 - whoever waits is told, whatever it was
            _LOG.error("unexpected error in long work", exc_info=error)
            unforeseen = ServiceError("Something went wrong. Nothing was saved.")
            self._change(token, state="failed", error=unforeseen, ended_at=self._clock())
        else:
            self._change(token, state="done", result=result, ended_at=self._clock())

    def _change(self, token: str, **what: Any) -> None:  # noqa: ANN401 - fields of a job
        with self._lock:
            self._jobs[token] = replace(self._jobs[token], **what)

    def _forget(self) -> None:
        """Forget what ended long ago; the caller has the lock."""
        now = self._clock()
        old = [
            token
            for token, job in self._jobs.items()
            if job.ended_at is not None and now - job.ended_at > KEPT
        ]
        for token in old:
            del self._jobs[token]
