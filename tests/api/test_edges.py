"""The edges: headers on every answer, files nobody may fetch, bodies nobody should send."""

import io
import json
import re
import socket
import threading
import time
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from html.parser import HTMLParser
from typing import Any

import httpx
import pytest
import uvicorn
from fastapi import FastAPI
from fastapi.testclient import TestClient
from sqlalchemy import select, text
from sqlmodel import col

from service.__main__ import config_of
from service.main import create_app
from service.operations.work import Unit
from service.settings import Settings
from service.storage.tables import AuditLine
from tests.api.sent import API, CASE, everything
from tests.conftest import BEARER, NOW, SESSION, MakeDatabase, app_on


@pytest.fixture
def app(make_database: MakeDatabase) -> FastAPI:
    return app_on(make_database("sqlite", False))


@pytest.fixture
def edge(app: FastAPI) -> Iterator[TestClient]:
    with TestClient(app, headers=BEARER, raise_server_exceptions=False) as client:
        yield client


#: A page, an answer, style, and refusals of every kind.
ANSWERS = [
    ("GET", "/sign-in", {}, 200),
    ("GET", "/me", {}, 200),
    ("GET", f"{API}/stock", {}, 200),
    ("GET", "/static/styles/base.css", {}, 200),
    ("GET", "/livez", {}, 200),
    ("GET", "/metrics", {}, 200),
    ("GET", "/openapi.json", {}, 200),
    ("GET", "/nowhere", {"Accept": "text/html"}, 404),
    ("GET", f"{API}/cases/none", {}, 404),
    ("GET", f"{API}/stock", {"Authorization": "Bearer wrong"}, 401),
    ("PATCH", f"{API}/stock", {}, 405),
    ("POST", f"{API}/cases", {"Content-Length": "999999999"}, 413),
]


@pytest.mark.parametrize(("method", "path", "headers", "status"), ANSWERS)
def test_every_answer_carries_the_headers_that_keep_a_browser_in_bounds(
    edge: TestClient, method: str, path: str, headers: dict[str, str], status: int
) -> None:
    """ASVS 5.0, 3.4.2 to 3.4.6."""
    answer = edge.request(method, path, headers=headers)
    assert answer.status_code == status
    policy = dict(
        part.strip().split(" ", 1) for part in answer.headers["content-security-policy"].split(";")
    )
    assert policy["default-src"] == "'none'"
    assert policy["frame-ancestors"] == "'none'"
    assert policy["object-src"] == "'none'"
    assert policy["base-uri"] == "'none'"
    assert policy["form-action"] == "'self'"
    assert (policy["script-src"], policy["style-src"]) == ("'self'", "'self'")
    assert "unsafe" not in answer.headers["content-security-policy"]
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["x-frame-options"] == "DENY"
    assert answer.headers["referrer-policy"] == "same-origin"
    assert "access-control-allow-origin" not in answer.headers
    assert "server" not in answer.headers
    assert "strict-transport-security" not in answer.headers


def test_behind_tls_the_browser_is_told_to_stay_there(app: FastAPI) -> None:
    """ASVS 5.0, 3.4.1: a year at least, subdomains included."""
    with TestClient(app, base_url="https://testserver") as client:
        for path in ("/sign-in", "/livez", f"{API}/stock", "/static/styles/base.css"):
            header = client.get(path).headers["strict-transport-security"]
            assert "includeSubDomains" in header
            assert int(re.findall(r"max-age=(\d+)", header)[0]) >= 31536000


def test_pages_are_kept_by_no_cache(edge: TestClient) -> None:
    """ASVS 5.0, 14.3.2 (from memory)."""
    for path in ("/sign-in", "/me", "/stock"):
        assert edge.get(path).headers["cache-control"] == "no-store"


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/%2e%2e/app.py",
        "/static/..%2fapp.py",
        "/static/%2e%2e%2fpages%2fdocs.py",
        "/static/..%5capp.py",
        "/static//etc/passwd",
        "/static/%00",
        "/static/tour/../../app.py",
        "/static/",
        "/static/tour",
        "/static/tour/",
    ],
)
def test_nothing_but_static_files_comes_out_of_the_static_folder(
    edge: TestClient, path: str
) -> None:
    answer = edge.get(path)
    assert answer.status_code in {400, 404}
    assert "import" not in answer.text
    assert "root:" not in answer.text


def test_an_upload_that_is_too_large_is_refused(make_database: MakeDatabase) -> None:
    settings = Settings(database_url=make_database("sqlite", False), upload_limit_bytes=50_000)
    with TestClient(create_app(settings, lambda: NOW), headers=BEARER) as client:
        before = everything(client)
        file = {"file": ("catalogue.csv", b"x" * 60_000, "text/csv")}
        answer = client.post(f"{API}/imports/catalogue", files=file)
        assert (answer.status_code, answer.json()["type"].rpartition("/")[2]) == (413, "too-large")
        assert everything(client) == before


@contextmanager
def serving(app: FastAPI, **settings: Any) -> Iterator[int]:  # noqa: ANN401 - any setting
    """Serve on a real port, as the command line does."""
    listener = socket.create_server(("127.0.0.1", 0))
    server = uvicorn.Server(config_of(Settings(**settings), app))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
    thread.start()
    while not server.started:
        time.sleep(0.01)
    yield listener.getsockname()[1]
    server.should_exit = True
    thread.join(timeout=20)
    listener.close()
    assert not thread.is_alive()


@pytest.mark.parametrize(
    ("trusted", "is_believed"),
    [("127.0.0.1", True), ("10.0.0.1,127.0.0.1", True), ("10.0.0.1", False)],
)
def test_only_a_trusted_proxy_is_believed_that_there_is_tls(
    app: FastAPI, trusted: str, is_believed: bool
) -> None:
    form = {"sign_in": "tester", "password": "not the right one"}
    headers = {"X-Forwarded-Proto": "https", "X-Forwarded-For": "192.0.2.7"}
    with serving(app, trusted_proxies=trusted) as port:
        answer = httpx.post(f"http://127.0.0.1:{port}/sign-in", data=form, headers=headers)
    assert ("strict-transport-security" in answer.headers) == is_believed
    assert "server" not in answer.headers
    query = select(col(AuditLine.address))
    address = app.state.work.read(lambda unit: unit.session.execute(query).scalar_one())
    assert address == ("192.0.2.7" if is_believed else "127.0.0.1")


def test_clients_that_send_slowly_do_not_hold_up_others(app: FastAPI) -> None:
    with serving(app) as port:
        _expect_an_answer_beside_slow_ones(port)


def _expect_an_answer_beside_slow_ones(served: int) -> None:
    head = (
        f"POST {API}/imports/catalogue HTTP/1.1\r\nHost: localhost\r\n"
        f"Authorization: {BEARER['Authorization']}\r\nContent-Length: 1000\r\n"
        "Content-Type: multipart/form-data; boundary=x\r\n\r\n--x\r\n"
    )
    # More than the threads a server has by default.
    slow = [socket.create_connection(("127.0.0.1", served), timeout=5) for _ in range(60)]
    for one in slow:
        one.sendall(head.encode())
    time.sleep(0.3)
    started = time.perf_counter()
    with socket.create_connection(("127.0.0.1", served), timeout=5) as quick:
        request = (
            f"GET {API}/stock HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n"
            f"Authorization: {BEARER['Authorization']}\r\n\r\n"
        )
        quick.sendall(request.encode())
        assert quick.recv(4096).startswith(b"HTTP/1.1 200")
    assert time.perf_counter() - started < 3
    for one in slow:
        one.close()


def _workbook(**parts: str) -> bytes:
    content = (
        '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
        '<Default Extension="xml" ContentType="application/xml"/>'
        '<Default Extension="rels" ContentType='
        '"application/vnd.openxmlformats-package.relationships+xml"/></Types>'
    )
    files = {"[Content_Types].xml": content, **parts}
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, part in files.items():
            archive.writestr(name, part)
    return stream.getvalue()


ENTITIES = {
    # CWE-776, "billion laughs", and CWE-611, a file of the server.
    "laughs": '<!DOCTYPE l [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;">]>',
    "file": '<!DOCTYPE l [<!ENTITY b SYSTEM "file:///etc/passwd">]>',
}


@pytest.mark.parametrize("kind", ENTITIES)
@pytest.mark.parametrize("part", ["xl/workbook.xml", "xl/sharedStrings.xml"])
def test_a_workbook_with_entities_is_refused(edge: TestClient, kind: str, part: str) -> None:
    xml = f"<?xml version='1.0'?>{ENTITIES[kind]}<sst><si><t>&b;</t></si></sst>"
    parts = {"xl/workbook.xml": "<workbook/>", "xl/worksheets/sheet1.xml": "<worksheet/>"}
    file = {"file": ("catalogue.xlsx", _workbook(**{**parts, part: xml}), "application/xlsx")}
    answer = edge.post(f"{API}/imports/catalogue", files=file)
    assert answer.status_code == 422, answer.text
    assert "defines XML entities" in answer.json()["detail"]
    assert "root:" not in answer.text
    assert "haha" not in answer.text


_NUMBER = r"[-+]?(?:\d+(?:\.\d+)?(?:e[-+]?\d+)?|Inf|NaN)"


_SAMPLE = re.compile(
    rf'([a-zA-Z_:][a-zA-Z0-9_:]*)(?:\{{([a-zA-Z_]\w*="[^"\\]*"(?:,[a-zA-Z_]\w*="[^"\\]*")*)\}})? '
    rf"({_NUMBER})"
)


def _metrics(client: TestClient) -> dict[str, float]:
    """Read the text as its format is described (Prometheus exposition formats, version 0.0.4)."""
    answer = client.get("/metrics")
    assert answer.headers["content-type"].startswith("text/plain; version=0.0.4")
    assert answer.text.endswith("\n")
    samples: dict[str, float] = {}
    types: dict[str, str] = {}
    for line in answer.text.splitlines():
        if line.startswith("# TYPE "):
            _, _, name, kind = line.split(" ")
            assert name not in types
            assert kind in {"counter", "gauge", "histogram"}
            types[name] = kind
        elif line.startswith("# HELP "):
            assert len(line.split(" ", 3)) == 4
        else:
            found = _SAMPLE.fullmatch(line)
            assert found is not None, line
            base = re.sub(r"_(bucket|sum|count)$", "", found.group(1))
            assert base in types or found.group(1) in types
            assert line.rpartition(" ")[0] not in samples
            samples[line.rpartition(" ")[0]] = float(found.group(3))
    return samples


def test_the_metrics_can_be_read_and_count_requests_and_conflicts(edge: TestClient) -> None:
    before = _metrics(edge)
    assert edge.post(f"{API}/cases", json=CASE).status_code == 201
    assert edge.post(f"{API}/cases", json=CASE).status_code == 409
    stale = {**{name: CASE[name] for name in CASE if name != "reference"}}
    changed = edge.put(f"{API}/cases/K-1", json=stale, headers={"If-Match": '"7"'})
    assert changed.status_code == 412
    assert edge.get(f"{API}/checks/2031-03-10").status_code == 200
    after = _metrics(edge)

    def grown(name: str) -> float:
        return after[name] - before.get(name, 0)

    assert grown('traywright_requests_total{method="POST",status="201"}') == 1
    assert grown('traywright_requests_total{method="POST",status="409"}') == 1
    assert grown("traywright_conflicts_total") == 2
    assert grown("traywright_check_seconds_count") == 1
    buckets = [value for name, value in after.items() if "_bucket" in name]
    assert buckets == sorted(buckets)
    assert buckets[-1] == after["traywright_check_seconds_count"]
    assert "HAR" not in edge.get("/metrics").text


def test_probes_tell_life_from_readiness(edge: TestClient, app: FastAPI) -> None:
    assert edge.get("/livez").json() == {"status": "alive"}
    assert edge.get("/readyz").json() == {"status": "ready"}

    def forget(unit: Unit) -> None:
        unit.session.execute(text("UPDATE alembic_version SET version_num = '0000'"))

    app.state.work.write(forget)
    assert edge.get("/livez").status_code == 200
    assert edge.get("/readyz").status_code == 503


def test_a_request_id_comes_back_and_one_that_could_forge_a_log_is_replaced(
    edge: TestClient,
) -> None:
    known = edge.get("/livez", headers={"X-Request-ID": "proxy-4711-a.b_c"})
    assert known.headers["x-request-id"] == "proxy-4711-a.b_c"
    made = set()
    for bad in ("short", "x" * 65, 'quote"in-it', "space in it", "line-break%0a-x"):
        found = edge.get("/livez", headers={"X-Request-ID": bad}).headers["x-request-id"]
        assert re.fullmatch(r"[0-9a-f]{32}", found)
        made.add(found)
    assert len(made) == 5


def test_an_unforeseen_error_says_nothing_of_the_inside(
    edge: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """ASVS 5.0, 16.5.1."""

    def broken(*_: object, **__: object) -> None:
        message = "SELECT secret FROM inside"
        raise RuntimeError(message)

    monkeypatch.setattr("service.operations.stock.movements.stock.stock_rows", broken)
    for path, accept in ((f"{API}/stock", "application/json"), ("/stock", "text/html")):
        answer = edge.get(path, headers={"Accept": accept})
        assert answer.status_code == 500
        for inside in ("Traceback", "RuntimeError", "secret", ".py", "line "):
            assert inside not in answer.text
        assert answer.headers["x-frame-options"] == "DENY"
        assert "content-security-policy" in answer.headers
        assert "x-request-id" in answer.headers
    problem = edge.get(f"{API}/stock").json()
    assert problem["type"].endswith("/unexpected")


class _Links(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.links: list[str] = []
        self.loaded: list[str] = []
        self.inline = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        for name, value in attrs:
            if name == "href":
                (self.loaded if tag == "link" else self.links).append(value or "")
            elif name in {"src", "srcset", "action", "data"}:
                self.loaded.append(value or "")
            self.inline += name == "style" or name.startswith("on")
        has_source = any(name == "src" and value for name, value in attrs)
        self.inline += tag == "style" or (tag == "script" and not has_source)


def test_the_page_of_the_api_lists_every_operation_and_loads_nothing_from_elsewhere(
    edge: TestClient,
) -> None:
    said = edge.get("/docs").text
    described = json.loads(edge.get("/openapi.json").text)
    operations = [
        (method.upper(), path) for path, item in described["paths"].items() for method in item
    ]
    assert len(operations) > 50
    for method, path in operations:
        assert f"{method} {path}</th>" in said
    page = _Links()
    page.feed(said)
    assert page.inline == 0
    assert page.loaded
    assert all(one.startswith("/") and not one.startswith("//") for one in page.loaded)


def test_a_session_on_a_page_shows_no_token(edge: TestClient) -> None:
    answer = edge.get("/me", headers={"Authorization": "", "Cookie": f"traywright={SESSION}"})
    assert SESSION not in answer.text
