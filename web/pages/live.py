"""Live updates: a stream that says when something has changed, and the same for who asks."""

import json
from collections.abc import AsyncIterator
from dataclasses import replace

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import JSONResponse, Response, StreamingResponse

from service.errors import Forbidden, SignInNeeded
from service.operations import signing_in
from service.operations.caller import Caller
from service.operations.live import ChangeOut, latest_change
from service.operations.rules import FOLLOW, requires
from service.operations.unit import Work
from web.live_feed import Feed, Listener
from web.render import work_of

__all__ = ["router"]

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
    """Give the newest change; 304 to who knows it already."""
    change = work_of(request).read(latest_change)
    tag = f'"{change.version}"'
    headers = {"ETag": tag, "Cache-Control": "private, no-cache"}
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    return JSONResponse(_said(change), headers=headers)


def _said(change: ChangeOut) -> dict[str, object]:
    return {"version": change.version, "clock": f"{change.at:%H:%M}" if change.at else ""}


def _feed_of(request: Request) -> Feed:
    """Give the one feed of this process, made when the first stream opens."""
    state = request.app.state
    if getattr(state, "feed", None) is None:
        work: Work = state.work

        def look(site_id: int) -> ChangeOut:
            return work.for_caller(Caller("live", site_id=site_id), lambda _: None).read(
                latest_change
            )

        state.feed = Feed(look, lambda: bool(state.is_stopping()))
    feed: Feed = state.feed
    return feed


async def _events(request: Request, feed: Feed, site_id: int, person_id: int) -> AsyncIterator[str]:
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
        found = signing_in.caller_of_token(work, token.strip(), caller)
        return found is not None
    name = "__Host-traywright" if request.url.scheme == "https" else "traywright"
    try:
        asked = replace(caller, form_token="")
        found = signing_in.caller_of_session(
            work, request.cookies.get(name, ""), asked, is_use=False
        )
    except SignInNeeded:
        return False
    return found is not None
