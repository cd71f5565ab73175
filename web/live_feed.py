"""Who is told when something changes: one look at the newest change for all who listen.

A stream costs no query of its own. While somebody listens, one task asks for the newest change of
each site every second or two; while nobody does, there is no task.
"""

import asyncio
import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from starlette.concurrency import run_in_threadpool

from service.errors import ServiceError, Unavailable
from service.operations.live import ChangeOut

__all__ = ["Feed", "Listener"]

_LOG = logging.getLogger("traywright")

#: Seconds between two looks, and between two glances at whether the server is stopping.
LOOK_SECONDS = 1.0
GLANCE_SECONDS = 0.25
#: Streams at once, and of one person; who comes later asks from time to time instead.
MOST_STREAMS = 200
MOST_OF_ONE = 20


class Listener:
    """One open stream: the newest change it has been told, and whether it must close.

    Parameters
    ----------
    site_id, person_id
        Whose changes are meant, and who listens.
    """

    def __init__(self, site_id: int, person_id: int) -> None:
        self.site_id = site_id
        self.person_id = person_id
        self.has_ended = False
        self._told: ChangeOut | None = None
        self._taken = -1
        self._news = asyncio.Event()

    def tell(self, change: ChangeOut) -> None:
        """Note the newest change."""
        if change.version != self._taken:
            self._told = change
            self._news.set()

    def end(self) -> None:
        """Have the stream close."""
        self.has_ended = True
        self._news.set()

    async def next(self, seconds: float) -> ChangeOut | None:
        """Wait for a change not taken yet; ``None`` when there is none in time or at the end."""
        try:
            async with asyncio.timeout(seconds):
                await self._news.wait()
        except TimeoutError:
            return None
        self._news.clear()
        if self.has_ended or self._told is None:
            return None
        self._taken = self._told.version
        return self._told


class Feed:
    """Tells the listeners of every site about its newest change.

    Parameters
    ----------
    look
        Gives the newest change of a site; called in a thread.
    is_stopping
        Whether the server is about to stop: streams then close at once, or it would wait for them.
    """

    def __init__(self, look: Callable[[int], ChangeOut], is_stopping: Callable[[], bool]) -> None:
        self._look = look
        self._is_stopping = is_stopping
        self._listeners: set[Listener] = set()
        self._task: asyncio.Task[None] | None = None

    @property
    def open_streams(self) -> int:
        """How many listen now."""
        return len(self._listeners)

    @contextmanager
    def listen(self, site_id: int, person_id: int) -> Iterator[Listener]:
        """Be told of changes until the block is left.

        Raises
        ------
        Unavailable
            When too many listen already.
        """
        self.require_room(person_id)
        listener = Listener(site_id, person_id)
        self._listeners.add(listener)
        if self._task is None or self._task.done():
            self._task = asyncio.get_running_loop().create_task(self._watch())
        try:
            yield listener
        finally:
            self._listeners.discard(listener)

    def require_room(self, person_id: int) -> None:
        """Refuse one more stream when there are too many."""
        of_one = sum(one.person_id == person_id for one in self._listeners)
        if len(self._listeners) >= MOST_STREAMS or of_one >= MOST_OF_ONE:
            raise Unavailable("Too many pages listen for changes; this one asks now and then.")

    async def _watch(self) -> None:
        loop = asyncio.get_running_loop()
        next_look = loop.time()
        while self._listeners and not self._is_stopping():
            if loop.time() >= next_look:
                await self._tell_all()
                next_look = loop.time() + LOOK_SECONDS
            await asyncio.sleep(GLANCE_SECONDS)
        self._end_all()

    async def _tell_all(self) -> None:
        for site_id in sorted({one.site_id for one in self._listeners}):
            try:
                change = await run_in_threadpool(self._look, site_id)
            except ServiceError as error:
                # Their pages go over to asking now and then, and come back when it works again.
                _LOG.warning("live updates stop for now: %s", error.detail)
                self._end_all()
                return
            for listener in list(self._listeners):
                if listener.site_id == site_id:
                    listener.tell(change)

    def _end_all(self) -> None:
        for listener in list(self._listeners):
            listener.end()
