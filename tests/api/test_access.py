"""Who may call what: every route for every role, nobody, and somebody from another hospital.

ASVS 5.0, 8.2.1 (functions), 8.2.2 (data) and 8.4.1 (tenants): only who is named may.
"""

import asyncio
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi import APIRouter
from fastapi.routing import APIRoute, iter_route_contexts
from fastapi.testclient import TestClient
from starlette.types import Message

from service import main
from service.api import health
from service.operations.people.permissions import (
    ANYBODY,
    PERMISSIONS,
    ROLES,
    Permission,
    permission_of,
)
from service.operations.work import Work
from service.settings import Settings
from tests.api.sent import API, CASE, SHELF, everything
from tests.conftest import FORM_TOKEN, NOW, MakeDatabase, app_on
from tests.two_sites import OTHER_CODE, add_site, add_somebody, bearer
from web.app import page_routers

#: Added by the framework, and the same for everybody: the description of the API, and style and
#: pictures of the pages.
OPEN = {"/openapi.json", "/static", "/fonts"}


FILLED = {
    "reference": "HAR-0712",
    "day": "2031-03-04",
    "sign_in": "nobody-here",
    "code": "no-such-construct",
    "form": "catalogue",
    "kind": "stale",
    "notice": "no-such-notice",
    "ref": "no-such-ref",
    "name": "no-such-supplier",
    "token": "no-such-work",
}


#: A wrong sign-in is answered with 401 by the operation itself; see test_signing_in.
SIGNS_IN = {"web.pages.people.enter", "web.pages.people.enter_again"}


def _name(endpoint: Any) -> str:  # noqa: ANN401 - any handler
    return f"{endpoint.__module__.removeprefix('service.')}.{endpoint.__name__}"


def _path(template: str, operation: str) -> str:
    key = "lateral_wall" if "figure" in operation or "default" in operation else "999999"
    filled = {**FILLED, "key": key}
    return re.sub(r"\{(\w+)(?::\w+)?\}", lambda found: filled[found.group(1)], template)


def _routes() -> list[tuple[str, str, str, Permission]]:
    """Collect every route from the application: method, path, handler and permission."""
    app = main.create_app(Settings(database_url="sqlite://"), lambda: NOW)
    found = []
    for route in iter_route_contexts(app.routes):
        if route.path in OPEN:
            continue
        assert isinstance(route.original_route, APIRoute), f"{route.path} asks for no permission"
        operation = _name(route.endpoint)
        path = _path(route.path or "", operation)
        permission = permission_of(route.endpoint)
        assert permission is not None, operation
        found += [(method, path, operation, permission) for method in route.methods or ()]
    return sorted(found, key=lambda one: one[:3])


ROUTES = _routes()


@pytest.fixture(scope="module")
def house(
    tmp_path_factory: pytest.TempPathFactory, sqlite_templates: dict[bool, Path]
) -> Iterator[TestClient]:
    """The demo with one person for each role; nobody is signed in."""
    file = tmp_path_factory.mktemp("access") / "demo.db"
    shutil.copy(sqlite_templates[True], file)
    app = app_on(f"sqlite:///{file}")
    with TestClient(app, follow_redirects=False) as client:
        work: Work = app.state.work
        for role in ROLES:
            add_somebody(work, f"only-{role}", [role])
        yield client


def _ask(client: TestClient, method: str, path: str, headers: dict[str, str]) -> int:
    """Ask with a body that cannot even be read: the decision must come before it."""
    kind = {"Content-Type": "application/json"} if path.startswith("/api/") else {}
    body = "{" if kind and method != "GET" else None
    answer = client.request(method, path, headers={**headers, **kind}, content=body)
    return int(answer.status_code)


def _ask_in_person(client: TestClient, method: str, path: str, role: str) -> int:
    """Ask the same in the session of somebody with one role."""
    client.cookies.set("traywright", f"session-of-only-{role}")
    try:
        return _ask(client, method, path, {"X-Form-Token": FORM_TOKEN})
    finally:
        client.cookies.clear()


def test_there_are_as_many_routes_as_the_house_has() -> None:
    """A table over nothing would prove nothing."""
    assert len(ROUTES) > 80
    assert {method for method, *_ in ROUTES} == {"GET", "POST", "PUT", "DELETE"}


@pytest.mark.parametrize(
    ("method", "path", "operation", "permission"), ROUTES, ids=[" ".join(one[:3]) for one in ROUTES]
)
def test_a_route_is_open_to_who_has_its_permission_and_to_nobody_else(
    house: TestClient, method: str, path: str, operation: str, permission: Permission
) -> None:
    nobody = _ask(house, method, path, {})
    if permission == ANYBODY:
        assert operation in SIGNS_IN or nobody not in {401, 403}
        return
    assert nobody == 401
    assert _ask(house, method, path, {"Authorization": "Bearer no-such-token"}) == 401
    for role in ROLES:
        with_token = bearer(f"only-{role}")
        status = _ask(house, method, path, with_token)
        if permission.in_person:
            assert status == 403, role
            status = _ask_in_person(house, method, path, role)
        if role in permission.roles:
            assert status not in {401, 403, 500}, role
        else:
            assert status == 403, role


def test_whom_nobody_knows_has_no_body_read(house: TestClient) -> None:
    sent: list[Message] = []

    async def body() -> Message:
        message = "the body of a request that nobody may make was read"
        raise AssertionError(message)

    async def answer(message: Message) -> None:
        sent.append(message)

    scope = {
        "type": "http",
        "http_version": "1.1",
        "method": "POST",
        "scheme": "http",
        "path": f"{API}/cases",
        "query_string": b"",
        "headers": [(b"host", b"testserver"), (b"content-type", b"application/json")],
    }

    async def ask() -> None:
        await house.app(scope, body, answer)

    asyncio.run(ask())
    assert sent[0]["status"] == 401


def test_every_permission_is_required_by_a_route() -> None:
    required = {permission for *_, permission in ROUTES}
    assert [one.name for one in PERMISSIONS if one not in required] == []
    assert required <= set(PERMISSIONS)


@pytest.mark.parametrize("place", ["api", "pages", "probes"])
def test_the_service_does_not_start_with_a_route_that_names_no_permission(
    monkeypatch: pytest.MonkeyPatch, place: str
) -> None:
    router = APIRouter()

    @router.get("/back_door")
    def back_door() -> str:
        return "open"

    if place == "api":
        part = type("part", (), {"router": router})
        monkeypatch.setattr(main, "API_PARTS", (*main.API_PARTS, part))
    elif place == "pages":
        monkeypatch.setattr(main, "page_routers", lambda: [*page_routers(), router])
    else:
        monkeypatch.setattr(health, "probes", router)
    with pytest.raises(RuntimeError, match=r"no permission .* who may call tests.*\.back_door$"):
        main.create_app(Settings(database_url="sqlite://"), lambda: NOW)


#: What each role may write to the ledger (the design: a nurse moves and quarantines).
MOVEMENTS = {
    "receive": {"storekeeper"},
    "move": {"nurse", "storekeeper"},
    "count": {"nurse", "storekeeper"},  # what it finds different is another question
    "write_off": {"storekeeper"},
    "quarantine": {"nurse", "storekeeper"},
    "release": {"storekeeper"},
    "reprocess": {"nurse", "storekeeper"},
    "loan_out": {"storekeeper"},
    "correction": {"nurse", "storekeeper"},
}


_LOT = {"ref": "T-L-095", "lot": "L1", "reason": "test"}


_UNITS = {**_LOT, "quantity": 1}


BODIES: dict[str, dict[str, Any]] = {
    "receive": {**_UNITS, "to": SHELF, "use_by": "2033-01-01"},
    "move": {**_UNITS, "origin": SHELF, "to": SHELF},
    "count": {**_LOT, "at": SHELF, "counted": 1},
    "write_off": {**_UNITS, "at": SHELF},
    "quarantine": {**_UNITS, "origin": SHELF},
    "release": {**_UNITS, "origin": SHELF, "to": SHELF},
    "reprocess": {**_UNITS, "origin": SHELF},
    "loan_out": {**_UNITS, "origin": SHELF},
    "correction": {"seq": 10**6, "reason": "test"},
}


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("kind", sorted(MOVEMENTS))
def test_a_role_writes_its_own_kinds_of_movement(house: TestClient, role: str, kind: str) -> None:
    body = {"kind": kind, **BODIES[kind]}
    if kind == "receive":
        body.pop("reason")
    answer = house.post(f"{API}/movements", json=body, headers=bearer(f"only-{role}"))
    # The units are unknown here: who may gets that far, and no further.
    assert answer.status_code in ({422, 404} if role in MOVEMENTS[kind] else {403}), answer.text


_HERE = {"ref": "AMB-L-090", "reason": "test"}


def _first_lot(house: TestClient, name: str) -> tuple[dict[str, Any], dict[str, str], int]:
    """Receive three units of a lot on a shelf that is made for it; nobody counts on them."""
    shelf = {"store": f"Store for {name}", "shelf": "A"}
    key = bearer("only-storekeeper")
    assert house.post(f"{API}/locations", json=shelf, headers=key).is_success
    units = {**_HERE, "lot": name}
    body = {"kind": "receive", **units, "quantity": 3, "to": shelf, "use_by": "2033-01-01"}
    body.pop("reason")
    done = house.post(f"{API}/movements", json=body, headers=key)
    assert done.is_success, done.text
    return units, shelf, done.json()["seq"]


@pytest.mark.parametrize("role", ["nurse", "storekeeper"])
@pytest.mark.parametrize(
    ("what", "who"),
    [
        ("a count that agrees", {"nurse", "storekeeper"}),
        ("a count that finds more", {"storekeeper"}),
        ("a count that finds less", {"storekeeper"}),
        ("the correction of a receipt", {"storekeeper"}),
        ("the correction of a move", {"nurse", "storekeeper"}),
        ("the correction of a write-off", {"storekeeper"}),
        ("a release", {"storekeeper"}),
    ],
)
def test_what_is_done_to_units_is_allowed_and_not_the_word_for_it(
    house: TestClient, role: str, what: str, who: set[str]
) -> None:
    """The design: a nurse moves and quarantines; what is there, and released, is the store's."""
    units, shelf, received = _first_lot(house, f"{what} {role}")
    keeper = bearer("only-storekeeper")
    other = {**shelf, "shelf": "B"}
    assert house.post(f"{API}/locations", json=other, headers=keeper).is_success

    def by_the_store(kind: str, **fields: object) -> dict[str, Any]:
        body = {"kind": kind, **units, **fields}
        done = house.post(f"{API}/movements", json=body, headers=keeper)
        assert done.is_success, done.text
        answer: dict[str, Any] = done.json()
        return answer

    body: dict[str, Any]
    if what.startswith("a count"):
        counted = {"agrees": 3, "more": 4, "less": 2}[what.rsplit(maxsplit=1)[-1]]
        body = {"kind": "count", **units, "at": shelf, "counted": counted}
    elif what == "a release":
        by_the_store("quarantine", quantity=1, origin=shelf)
        rows = house.get(f"{API}/stock?ref=AMB-L-090", headers=keeper).json()["stock"]
        place = next(
            {"store": row["store"], "shelf": row["shelf"]}
            for row in rows
            if row["lot"] == units["lot"] and row["location_kind"] == "quarantine"
        )
        body = {"kind": "release", **units, "quantity": 1, "origin": place, "to": shelf}
    else:
        seq = received
        if what.endswith("move"):
            seq = by_the_store("move", quantity=1, origin=shelf, to=other)["seq"]
        elif what.endswith("write-off"):
            seq = by_the_store("write_off", quantity=1, at=shelf)["seq"]
        body = {"kind": "correction", "seq": seq, "reason": "test"}
    answer = house.post(f"{API}/movements", json=body, headers=bearer(f"only-{role}"))
    assert answer.status_code == (201 if role in who else 403), answer.text


def test_an_administrator_does_not_change_the_stock_by_a_file(house: TestClient) -> None:
    """Bringing files is the administrator's; what is there is the store's."""
    rows = "ref,lot,use_by,quantity,store,shelf,ownership\nAMB-L-090,NEW-1,2033-01-01,2,S,A,owned\n"
    files = {"file": ("stock.csv", rows.encode(), "text/csv")}
    for role, status in (("administrator", 403), ("storekeeper", 200)):
        answer = house.post(
            f"{API}/imports/stock-take", files=files, headers=bearer(f"only-{role}")
        )
        assert answer.status_code == status, answer.text


CASES = f"{API}/cases/HAR-0712"


FIELDS = {name: value for name, value in CASE.items() if name != "reference"}


PACK = {"ref": "FAL-L-110", "lot": "F27Z0030", "quantity": 1}


MATCH = {"If-Match": '"1"'}


#: Requests about a case, an account, a token or a transfer of the first hospital.
ABOUT_OURS: list[tuple[str, str, object]] = [
    ("GET", CASES, None),
    ("PUT", CASES, FIELDS),
    ("DELETE", CASES, None),
    ("PUT", f"{CASES}/plan", {"primary": "cap@Nowhere", "alternates": []}),
    ("GET", f"{CASES}/suggestions?primary=cap@Nowhere", None),
    ("GET", f"{CASES}/pick_list", None),
    ("GET", f"{CASES}/tray", None),
    ("GET", f"{CASES}/implants", None),
    ("GET", f"{CASES}/holds", None),
    ("POST", f"{CASES}/holds", None),
    ("POST", f"{CASES}/packs", PACK),
    ("POST", f"{CASES}/fates", {**PACK, "fate": "return"}),
    ("PUT", f"{CASES}/status", {"status": "prepared"}),
    (
        "POST",
        f"{API}/holds",
        {**PACK, "case": "HAR-0712", "at": {"store": "Theatre store", "shelf": "A-01-1"}},
    ),
    ("POST", f"{API}/scans", {"raw": "(01)02910000004565(10)F27Z0030", "case": "HAR-0712"}),
    ("GET", "/cases/HAR-0712", None),
    ("GET", "/cases/HAR-0712/edit", None),
    ("GET", "/cases/HAR-0712/plan", None),
    (
        "PUT",
        f"{API}/people/only-nurse",
        {"name": "Taken over", "roles": ["nurse"], "is_active": False},
    ),
    ("PUT", f"{API}/people/only-nurse/password", {"password": "correct horse battery staple"}),
    ("DELETE", f"{API}/tokens/1", None),
    ("POST", f"{API}/transfers/1/answer", {"agreed": False}),
    ("POST", f"{API}/transfers/2/arrivals", {"quantity": 1, "condition": "arrived"}),
    ("GET", f"{API}/orders/PO-1041", None),
    ("GET", f"{API}/orders/PO-1041/order.csv", None),
    ("GET", f"{API}/orders/PO-1041/order.xml", None),
    ("PUT", f"{API}/orders/PO-1041/lines", {"lines": [{"ref": "AMB-L-090", "quantity": 1}]}),
    ("PUT", f"{API}/orders/PO-1041/due", {"due_at": "2031-03-09T10:00"}),
    ("POST", f"{API}/orders/PO-1041/approve", None),
    ("POST", f"{API}/orders/PO-1041/send", {}),
    ("POST", f"{API}/orders/PO-1041/cancel", {"reason": "not ours"}),
    ("POST", f"{API}/orders/PO-1041/let_go", {"reason": "not ours"}),
    (
        "POST",
        f"{API}/orders/PO-1041/receive",
        {"lines": [{"ref": "AMB-L-090", "lot": "X", "to": {"store": "Store", "shelf": "A"}}]},
    ),
    ("POST", f"{API}/orders/LOAN-0007/return", {"lines": [{"ref": "ESK-IS", "serial": "1"}]}),
]


@pytest.fixture
def two_houses(make_database: MakeDatabase) -> Iterator[TestClient]:
    """The demo, and another hospital with somebody who has every role there."""
    app = app_on(make_database("sqlite", True))
    with TestClient(app, follow_redirects=False) as client:
        work: Work = app.state.work
        site_id = add_site(work)
        add_somebody(work, "stranger", ROLES, site_id)
        add_somebody(work, "ours", ROLES)
        add_somebody(work, "only-nurse", ["nurse"])
        yield client


def test_what_belongs_to_the_other_hospital_looks_as_if_it_did_not_exist(
    two_houses: TestClient,
) -> None:
    _ask_for_units_of_ours(two_houses)
    before = everything(two_houses)
    for method, path, body in ABOUT_OURS:
        headers = {**bearer("stranger"), **MATCH}
        answer = two_houses.request(method, path, json=body, headers=headers)
        assert answer.status_code == 404, (method, path, answer.text)
        assert "F27Z0030" not in answer.text
    assert everything(two_houses) == before


#: What no token may do is asked in a session.
IN_PERSON = ("POST", f"{CASES}/confirmations", {"plan_revision": 1})


@pytest.mark.parametrize(("method", "path", "body"), ABOUT_OURS)
def test_the_same_request_finds_it_for_its_own_hospital(
    two_houses: TestClient, method: str, path: str, body: object
) -> None:
    """The control of the test above: none of these 404s is a path nobody has."""
    _ask_for_units_of_ours(two_houses)
    answer = two_houses.request(method, path, json=body, headers={**bearer("ours"), **MATCH})
    assert answer.status_code not in {401, 403, 404, 405, 500}, answer.text


def test_a_confirmation_of_the_other_hospital_looks_as_if_its_case_did_not_exist(
    two_houses: TestClient,
) -> None:
    method, path, body = IN_PERSON
    for sign_in, found in (("stranger", False), ("ours", True)):
        two_houses.cookies.set("traywright", f"session-of-{sign_in}")
        headers = {**MATCH, "X-Form-Token": FORM_TOKEN}
        answer = two_houses.request(method, path, json=body, headers=headers)
        assert (answer.status_code != 404) == found, answer.text
        assert answer.status_code not in {401, 403, 405, 500}, answer.text


@pytest.mark.parametrize("roles", [["surgeon"], ["administrator", "surgeon"]])
def test_a_token_made_in_a_surgeons_name_confirms_nothing(
    two_houses: TestClient, roles: list[str]
) -> None:
    """Who keeps accounts makes tokens in anybody's name: a confirmation is the surgeon's own."""
    work: Work = two_houses.app.state.work  # type: ignore[attr-defined] # the client has a FastAPI
    add_somebody(work, "dr", roles)
    made = two_houses.post(
        f"{API}/tokens",
        json={"sign_in": "dr", "name": "program", "scopes": roles, "days": 1},
        headers=bearer("ours"),
    )
    assert made.is_success, made.text
    method, path, body = IN_PERSON
    before = everything(two_houses)["confirmation"]
    token = {"Authorization": f"Bearer {made.json()['token']}"}
    answer = two_houses.request(method, path, json=body, headers={**token, **MATCH})
    assert answer.status_code == 403
    assert "own account" in answer.json()["detail"]
    assert everything(two_houses)["confirmation"] == before


def _ask_for_units_of_ours(client: TestClient) -> None:
    shelf = {"store": "Store", "shelf": "A"}
    assert client.post(f"{API}/locations", json=shelf, headers=bearer("stranger")).is_success
    ours = client.get(f"{API}/transfers", headers=bearer("ours"))
    assert ours.json() == {"transfers": []}
    code = _code_of_ours(client)
    body = {"site": code, "ref": "FAL-L-110", "quantity": 1, "to": shelf}
    asked = client.post(f"{API}/transfers", json=body, headers=bearer("stranger"))
    assert asked.json()["id"] == 1, asked.text
    # What we ask of them is ours to receive, and not theirs.
    home = {"store": "Theatre store", "shelf": "A-01-1"}
    back = {**body, "site": OTHER_CODE, "to": home}
    asked = client.post(f"{API}/transfers", json=back, headers=bearer("ours"))
    assert asked.json()["id"] == 2, asked.text


def _code_of_ours(client: TestClient) -> str:
    rows = everything(client)["site"]
    return str(next(row for row in rows if row[0] == 1)[1])


def test_lists_of_the_other_hospital_are_empty(two_houses: TestClient) -> None:
    paths = {
        "stock": "stock",
        "deliveries": "deliveries",
        "orders": "orders",
        "lists?first=2031-03-01&last=2031-03-31": "lists",
        "checks/2031-03-04": "lists",
        "expiring?days=3000": "units",
        "transfers": "transfers",
        "shortfalls": "shortfalls",
        "holidays": "holidays",
    }
    for path, name in paths.items():
        theirs = two_houses.get(f"{API}/{path}", headers=bearer("stranger"))
        assert theirs.json()[name] == [], path
        if name != "transfers":
            ours = two_houses.get(f"{API}/{path}", headers=bearer("ours"))
            assert ours.json()[name] != [], path
    assert two_houses.get(f"{API}/locations", headers=bearer("stranger")).json() == []
    people = two_houses.get(f"{API}/people", headers=bearer("stranger")).json()["people"]
    assert [one["sign_in"] for one in people] == ["stranger"]
    tokens = two_houses.get(f"{API}/tokens", headers=bearer("stranger")).json()["tokens"]
    assert [one["sign_in"] for one in tokens] == ["stranger"]
    for page in ("/stock", "/lists/2031-03-04"):
        said = two_houses.get(page, headers=bearer("stranger")).text
        assert "HAR-" not in said
        assert "F27Z0030" not in said


def test_one_key_for_two_people_of_one_name_does_not_answer_one_with_the_others_case(
    two_houses: TestClient,
) -> None:
    work: Work = two_houses.app.state.work  # type: ignore[attr-defined] # the client has a FastAPI
    site_id = next(row[0] for row in everything(two_houses)["site"] if row[1] == "OTHER")
    for sign_in, where in (("jo-1", None), ("jo-2", site_id)):
        add_somebody(work, sign_in, ["nurse"], where, name="Jo")
    key = {"Idempotency-Key": "one-and-the-same"}
    first = two_houses.post(f"{API}/cases", json=CASE, headers={**bearer("jo-1"), **key})
    assert first.status_code == 201
    second = two_houses.post(f"{API}/cases", json=CASE, headers={**bearer("jo-2"), **key})
    assert second.status_code == 409
    again = two_houses.post(f"{API}/cases", json=CASE, headers={**bearer("jo-1"), **key})
    assert again.json() == first.json()
