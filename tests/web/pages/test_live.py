"""Live updates: who is told, how often the database is asked, and that listening is no work."""

import asyncio
from collections.abc import AsyncIterator, Callable
from datetime import timedelta

import httpx
import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from sqlalchemy import select

from service.errors import Unavailable
from service.main import create_app
from service.operations.site import LatestChange
from service.settings import Settings
from service.storage.tables import SignIn, table_of
from tests.conftest import BEARER, NOW, SESSION, MakeDatabase
from web.pages import live
from web.pages.live import ChangeFeed, Listener


class _Stock:
    """A version that a test changes, and how often it was asked for, by site."""

    def __init__(self) -> None:
        self.version = 1
        self.asked: list[int] = []
        self.is_stopping = False
        self.fails = False

    def look(self, site_id: int) -> LatestChange:
        self.asked.append(site_id)
        if self.fails:
            raise Unavailable("The database is away.")
        return LatestChange(version=self.version, at=NOW)

    def feed(self) -> ChangeFeed:
        return ChangeFeed(self.look, lambda: self.is_stopping)


@pytest.fixture
def stock(monkeypatch: pytest.MonkeyPatch) -> _Stock:
    monkeypatch.setattr(live, "LOOK_SECONDS", 0.05)
    monkeypatch.setattr(live, "GLANCE_SECONDS", 0.01)
    return _Stock()


async def _next_version(listener: Listener) -> int | None:
    change = await listener.next(2)
    return None if change is None else change.version


def test_one_look_serves_everybody_of_a_site(stock: _Stock) -> None:
    async def run() -> None:
        feed = stock.feed()
        with feed.listen(1, 1) as one, feed.listen(1, 2) as two, feed.listen(2, 3) as three:
            for listener in (one, two, three):
                assert await _next_version(listener) == 1
            assert await one.next(0.15) is None
            stock.version = 7
            before = len(stock.asked)
            for listener in (one, two, three):
                assert await _next_version(listener) == 7
            # At most two rounds over the two sites since then, for three listeners.
            assert len(stock.asked) - before <= 4
            assert feed.open_streams == 3
        assert feed.open_streams == 0
        await asyncio.sleep(0.05)
        quiet = len(stock.asked)
        await asyncio.sleep(0.15)
        assert len(stock.asked) == quiet

    asyncio.run(run())


def _stop(stock: _Stock) -> None:
    stock.is_stopping = True


def _fail(stock: _Stock) -> None:
    stock.fails = True


@pytest.mark.parametrize("happens", [_stop, _fail])
def test_streams_end_when_the_server_stops_or_the_database_is_away(
    stock: _Stock, happens: Callable[[_Stock], None]
) -> None:
    async def run() -> None:
        with stock.feed().listen(1, 1) as listener:
            assert await _next_version(listener) == 1
            happens(stock)
            assert await listener.next(2) is None
            assert listener.has_ended

    asyncio.run(run())


def test_there_is_room_for_so_many_and_no_more(
    stock: _Stock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(live, "MOST_STREAMS", 3)
    monkeypatch.setattr(live, "MOST_OF_ONE", 2)

    async def run() -> None:
        feed = stock.feed()
        with feed.listen(1, 1), feed.listen(1, 1):
            with pytest.raises(Unavailable), feed.listen(1, 1):
                pass
            with feed.listen(1, 2), pytest.raises(Unavailable), feed.listen(1, 3):
                pass

    asyncio.run(run())


def test_who_asks_now_and_then_is_told_only_what_is_new(demo_client: TestClient) -> None:
    first = demo_client.get("/live/version")
    tag = first.headers["ETag"]
    assert first.json()["version"] == int(tag.strip('"'))
    again = demo_client.get("/live/version", headers={"If-None-Match": tag})
    # RFC 9110, 15.4.5: no content, and the tag again.
    assert (again.status_code, again.content, again.headers["ETag"]) == (304, b"", tag)
    case = {"ref": "CIN-N-130-10-180", "lot": "C26M0076"}
    done = demo_client.post(
        "/api/v1/cases/HAR-0711/packs", json=case, headers={"Idempotency-Key": "a" * 16}
    )
    assert done.status_code == 201
    changed = demo_client.get("/live/version", headers={"If-None-Match": tag})
    assert changed.status_code == 200
    assert changed.json()["version"] > first.json()["version"]


def test_signing_in_and_wrong_tries_are_no_changes(demo_client: TestClient) -> None:
    before = demo_client.get("/live/version").json()
    guest = {"Authorization": ""}
    form = {"sign_in": "nobody", "password": "wrong"}
    assert demo_client.post("/sign-in", data=form, headers=guest).status_code == 401
    assert demo_client.get("/live/version").json() == before


class _Clock:
    def __init__(self) -> None:
        self.now = NOW

    def __call__(self) -> object:
        return self.now


@pytest.fixture
def app(make_database: MakeDatabase) -> FastAPI:
    clock = _Clock()
    made = create_app(Settings(database_url=make_database("sqlite", False)), clock)  # type: ignore[arg-type] # gives a moment
    made.state.clock = clock
    return made


def _seen_at(app: FastAPI) -> object:
    table = table_of(SignIn)
    return app.state.work.read(
        lambda unit: unit.session.execute(select(table.c.seen_at)).scalar_one()
    )


def test_what_a_page_asks_by_itself_keeps_no_session_alive(app: FastAPI) -> None:
    with TestClient(app, cookies={"traywright": SESSION}) as client:
        app.state.clock.now = NOW + timedelta(minutes=10)
        for path, headers in (
            ("/live/version", {}),
            ("/live", {}),
            ("/figures", {"X-Unattended": "yes"}),
        ):
            assert client.get(path, headers=headers).status_code == 200
        assert _seen_at(app) == NOW
        assert client.get("/figures").status_code == 200
        assert _seen_at(app) == app.state.clock.now


async def _lines(app: FastAPI, headers: dict[str, str], until: str) -> AsyncIterator[str]:
    """Hear a stream to the line that begins so, over ASGI with its disconnect."""
    messages: asyncio.Queue[bytes] = asyncio.Queue()
    left = asyncio.Event()
    given = [(name.lower().encode(), value.encode()) for name, value in headers.items()]
    scope = {
        "type": "http",
        "asgi": {"version": "3.0", "spec_version": "2.3"},
        "http_version": "1.1",
        "method": "GET",
        "path": "/live",
        "raw_path": b"/live",
        "query_string": b"",
        "root_path": "",
        "scheme": "http",
        "headers": given,
        "client": ("127.0.0.1", 1),
        "server": ("127.0.0.1", 80),
    }
    begun = False

    async def receive() -> dict[str, object]:
        nonlocal begun
        if not begun:
            begun = True
            return {"type": "http.request", "body": b"", "more_body": False}
        await left.wait()
        return {"type": "http.disconnect"}

    async def send(message: dict[str, object]) -> None:
        body = message.get("body", b"")
        if isinstance(body, bytes):
            await messages.put(body)

    task = asyncio.create_task(app(scope, receive, send))  # type: ignore[arg-type] # plain ASGI
    async with asyncio.timeout(10):
        is_over = False
        while not is_over:
            for line in (await messages.get()).decode().splitlines():
                is_over = is_over or line.startswith(until)
                yield line
        left.set()
        await task


def test_a_stream_ends_with_its_session_and_leaves_nothing_behind(
    app: FastAPI, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(live, "HEARTBEAT_SECONDS", 0.1)
    app.state.work.prepare()
    cookie = {"Accept": "text/event-stream", "Cookie": f"traywright={SESSION}"}

    async def run() -> None:
        heard = [line async for line in _lines(app, cookie, ": here")]
        assert heard[0].startswith("retry:")
        assert any(line.startswith('data: {"version": ') for line in heard)
        assert app.state.feed.open_streams == 0

        told = _lines(app, cookie, "event: signed-out")
        async for line in told:
            if line.startswith('data: {"version'):
                # The session ends while the stream is open.
                app.state.clock.now = NOW + timedelta(days=31)
        assert app.state.feed.open_streams == 0

    asyncio.run(run())
    app.state.work.close()


def test_who_is_not_signed_in_hears_nothing(client: TestClient) -> None:
    headers = {"Authorization": "", "Accept": "text/event-stream"}
    answer: httpx.Response = client.get("/live", headers=headers)
    assert answer.status_code == 401
    assert BEARER["Authorization"] not in answer.text
