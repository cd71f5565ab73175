"""Live updates: a stream that says when something has changed, and the same for who asks."""

import asyncio
import json
import logging
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import JSONResponse, Response, StreamingResponse

from service.errors import Forbidden, ServiceError, SignInNeeded, Unavailable
from service.operations.people import sign_in
from service.operations.people.permissions import FOLLOW, requires
from service.operations.site import LatestChange, latest_change
from service.operations.work import Caller, Work
from web.render import work_of

router = APIRouter()


#: Seconds between two signs of life, at each of which the session is looked at again.
HEARTBEAT_SECONDS = 15.0


#: Milliseconds until a browser comes back after a broken stream.
RETRY_MS = 5000


_HEADERS = {"Cache-Control": "no-store", "X-Accel-Buffering": "no"}


@router.get("/live")
@requires(FOLLOW)
async def stream(request: Request) -> Response:
    """Say what the newest change is, now and whenever there is a newer one.

    Server-sent events: ``data`` is the version and the time; ``leave`` when the server stops,
    ``signed-out`` when the session has ended. Source: WHATWG HTML, 9.2, Server-sent events. Who
    does not ask for a stream is told once.
    """
    if "text/event-stream" not in request.headers.get("accept", ""):
        return await run_in_threadpool(version, request)
    caller: Caller = request.state.caller
    if caller.site_id is None or caller.person_id is None:
        raise Forbidden("Live updates are for people signed in at a site.")
    feed = _feed_of(request)
    feed.require_room(caller.person_id)
    return StreamingResponse(
        _events(request, feed, caller.site_id, caller.person_id),
        media_type="text/event-stream",
        headers=_HEADERS,
    )


@router.get("/live/version")
@requires(FOLLOW)
def version(request: Request) -> Response:
    """Return the newest change; 304 to who knows it already."""
    change = work_of(request).read(latest_change)
    tag = f'"{change.version}"'
    headers = {"ETag": tag, "Cache-Control": "private, no-cache"}
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    return JSONResponse(_said(change), headers=headers)


def _said(change: LatestChange) -> dict[str, object]:
    return {"version": change.version, "clock": f"{change.at:%H:%M}" if change.at else ""}


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
        self._told: LatestChange | None = None
        self._taken = -1
        self._news = asyncio.Event()

    def tell(self, change: LatestChange) -> None:
        """Note the newest change."""
        if change.version != self._taken:
            self._told = change
            self._news.set()

    def end(self) -> None:
        """Have the stream close."""
        self.has_ended = True
        self._news.set()

    async def next(self, seconds: float) -> LatestChange | None:
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


class ChangeFeed:
    """Tells the listeners of every site about its newest change.

    Parameters
    ----------
    look
        Gives the newest change of a site; called in a thread.
    is_stopping
        Whether the server is about to stop: streams then close at once, or it would wait for them.
    """

    def __init__(
        self, look: Callable[[int], LatestChange], is_stopping: Callable[[], bool]
    ) -> None:
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


def _feed_of(request: Request) -> ChangeFeed:
    """Return the one feed of this process, made when the first stream opens."""
    state = request.app.state
    if getattr(state, "feed", None) is None:
        work: Work = state.work

        def look(site_id: int) -> LatestChange:
            return work.for_caller(Caller("live", site_id=site_id), lambda _: None).read(
                latest_change
            )

        state.feed = ChangeFeed(look, lambda: bool(state.is_stopping()))
    feed: ChangeFeed = state.feed
    return feed


async def _events(
    request: Request, feed: ChangeFeed, site_id: int, person_id: int
) -> AsyncIterator[str]:
    with feed.listen(site_id, person_id) as listener:
        yield f"retry: {RETRY_MS}\n\n"
        async for event in _until_it_ends(request, listener):
            yield event


async def _until_it_ends(request: Request, listener: Listener) -> AsyncIterator[str]:
    while True:
        change = await listener.next(HEARTBEAT_SECONDS)
        if listener.has_ended:
            yield "event: leave\ndata: {}\n\n"
            return
        if change is not None:
            yield f"id: {change.version}\ndata: {json.dumps(_said(change))}\n\n"
        elif await run_in_threadpool(_is_still_in, request):
            yield ": here\n\n"
        else:
            yield "event: signed-out\ndata: {}\n\n"
            return


def _is_still_in(request: Request) -> bool:
    """Tell whether who listens still may; a stream that listens keeps no session alive."""
    caller: Caller = request.state.caller
    work: Work = request.app.state.work
    kind, _, token = request.headers.get("authorization", "").partition(" ")
    if kind:
        found = sign_in.caller_of_token(work, token.strip(), caller)
        return found is not None
    name = "__Host-traywright" if request.url.scheme == "https" else "traywright"
    try:
        asked = replace(caller, form_token="")
        found = sign_in.caller_of_session(work, request.cookies.get(name, ""), asked, is_use=False)
    except SignInNeeded:
        return False
    return found is not None


_LOG = logging.getLogger("traywright")


#: Seconds between two looks, and between two glances at whether the server is stopping.
LOOK_SECONDS = 1.0


GLANCE_SECONDS = 0.25


#: Streams at once, and of one person; who comes later asks from time to time instead.
MOST_STREAMS = 200


MOST_OF_ONE = 20
