"""The audit trail: every change has a name on it, and a changed line shows."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Row, delete, select, text, update
from sqlalchemy.engine import make_url
from sqlalchemy.exc import DBAPIError

from service.operations import backup
from service.operations.work import Work
from service.settings import Settings
from service.storage.tables import AuditLine, table_of
from tests.api.sent import API, CASE, LAG, RECEIVE, SHELF
from tests.conftest import BEARER, FORM_TOKEN, NAME, NOW, SESSION, MakeDatabase, app_on
from tests.two_sites import add_site, add_somebody, bearer

LINE = table_of(AuditLine)


def _lines(client: TestClient) -> list[Row[Any]]:
    work: Work = client.app.state.work  # type: ignore[attr-defined] # the client has a FastAPI
    query = select(LINE).order_by(LINE.c.seq)
    return list(work.read(lambda unit: unit.session.execute(query).all()))


def _post(client: TestClient, path: str, body: object, **headers: str) -> None:
    answer = client.post(f"{API}/{path}", json=body, headers=headers)
    assert answer.is_success, answer.text


def test_each_change_leaves_one_line_that_names_who_did_what(client: TestClient) -> None:
    """ASVS 5.0, 16.2.1: when, where, who and what."""
    steps: list[tuple[str, str, object, dict[str, str], str]] = [
        ("POST", "items", LAG, {}, "api.catalogue.add_item"),
        ("POST", "locations", SHELF, {}, "api.stock.add_location"),
        ("POST", "movements", RECEIVE, {}, "api.stock.record_movement"),
        ("POST", "cases", CASE, {}, "api.cases.add_case"),
        ("DELETE", "cases/K-1", None, {"If-Match": '"1"'}, "api.cases.cancel_case"),
        ("PUT", "me/pin", {"pin": "204816"}, {}, "api.people.set_pin"),
    ]
    for method, path, body, headers, operation in steps:
        before = len(_lines(client))
        answer = client.request(method, f"{API}/{path}", json=body, headers=headers)
        assert answer.is_success, answer.text
        found = _lines(client)
        assert len(found) == before + 1, path
        line = found[-1]
        told = (line.actor, line.operation, line.subject, line.outcome, line.address, line.at)
        assert told == (NAME, operation, f"{API}/{path}", "done", "testclient", NOW)


def test_what_is_only_read_or_tried_out_leaves_no_line(demo_client: TestClient) -> None:
    before = len(_lines(demo_client))
    for path in ("stock", "cases/HAR-0712", "checks/2031-03-04", "audit"):
        assert demo_client.get(f"{API}/{path}").status_code == 200
    scan = {"raw": "(01)02910000004565(10)F27Z0030", "case": "HAR-0712"}
    assert demo_client.post(f"{API}/scans", json=scan).status_code == 200
    assert len(_lines(demo_client)) == before


def test_a_change_that_is_refused_leaves_no_line(client: TestClient) -> None:
    _post(client, "items", LAG)
    before = len(_lines(client))
    for path, body in (("items", LAG), ("movements", RECEIVE), ("cases", {"reference": "K"})):
        assert client.post(f"{API}/{path}", json=body).is_client_error
    assert len(_lines(client)) == before


def test_when_the_line_cannot_be_written_the_change_is_not_either(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One transaction: no change without its line."""

    def broken(*_: object) -> None:
        message = "no line today"
        raise RuntimeError(message)

    monkeypatch.setattr("service.operations.people.audit.digest_of", broken)
    with pytest.raises(RuntimeError, match="no line today"):
        client.post(f"{API}/items", json=LAG)
    monkeypatch.undo()
    assert client.get(f"{API}/items/{LAG['ref']}").status_code == 404


def test_a_request_sent_again_with_its_key_leaves_no_second_line(client: TestClient) -> None:
    for _ in range(3):
        _post(client, "items", LAG, **{"Idempotency-Key": "item-0001"})
    assert [line.operation for line in _lines(client)] == ["api.catalogue.add_item"]


def test_a_page_leaves_a_line_as_the_api_does(client: TestClient) -> None:
    del client.headers["Authorization"]
    headers = {"Cookie": f"traywright={SESSION}"}
    form = {name: str(value) for name, value in CASE.items()} | {"form_token": FORM_TOKEN}
    client.post("/cases/new", data=form, headers=headers, follow_redirects=False)
    client.post("/sign-out", data=form, headers=headers, follow_redirects=False)
    assert [(line.actor, line.operation) for line in _lines(client)] == [
        ("tester", "web.pages.cases.add_case"),
        ("tester", "web.pages.people.leave"),
    ]


def test_a_failed_sign_in_leaves_one_line_and_no_password(client: TestClient) -> None:
    """ASVS 5.0, 16.3.1: every try to sign in, successful or not."""
    form = {"sign_in": "Tester", "password": "not the right one"}
    assert client.post("/sign-in", data=form, headers={"Authorization": ""}).status_code == 401
    (line,) = _lines(client)
    assert (line.outcome, line.facts) == ("refused", {"account": "tester"})
    assert line.operation == "web.pages.people.enter"


def test_the_trail_is_found_by_person_case_and_lot(client: TestClient) -> None:
    for path, body in (
        ("items", LAG),
        ("locations", SHELF),
        ("movements", {**RECEIVE, "lot": "LOT_7%ä"}),
        ("movements", {**RECEIVE, "lot": "LOT-8"}),
        ("cases", {**CASE, "reference": "K_1"}),
        ("cases", {**CASE, "reference": "K-2"}),
        ("holds", {"case": "K-2", "ref": LAG["ref"], "lot": "LOT-8", "at": SHELF, "quantity": 1}),
    ):
        _post(client, path, body)

    def found(**asked: str) -> list[str]:
        answer = client.get(f"{API}/audit", params=asked)
        return [line["subject"].removeprefix(f"{API}/") for line in answer.json()["lines"]]

    assert found(lot="LOT_7%ä") == ["movements"]
    assert found(lot="LOT-8") == ["movements"]
    assert found(case="K_1") == ["cases"]
    assert found(case="K-2") == ["holds", "cases"]
    assert found(case="K%") == []
    assert len(found(person=NAME)) == 7
    assert found(person="somebody else") == []


def test_a_site_reads_its_own_trail_only(client: TestClient) -> None:
    work: Work = client.app.state.work  # type: ignore[attr-defined] # the client has a FastAPI
    site_id = add_site(work)
    add_somebody(work, "stranger", ["storekeeper", "administrator"], site_id)
    _post(client, "items", LAG)
    _post(client, "locations", SHELF, **bearer("stranger"))
    wrong = {"sign_in": "stranger", "password": "not the right one"}
    client.post("/sign-in", data=wrong, headers={"Authorization": ""})

    def read(**headers: str) -> list[str]:
        answer = client.get(f"{API}/audit", headers=headers)
        return [line["operation"] for line in answer.json()["lines"]]

    assert read() == ["api.catalogue.add_item"]
    assert read(**bearer("stranger")) == ["web.pages.people.enter", "api.stock.add_location"]


@pytest.mark.parametrize("statement", [delete(LINE), update(LINE).values(actor="nobody")])
def test_the_trail_takes_no_change(client: TestClient, statement: Any) -> None:  # noqa: ANN401 - either kind of statement
    _post(client, "items", LAG)
    work: Work = client.app.state.work  # type: ignore[attr-defined] # the client has a FastAPI
    with pytest.raises(DBAPIError, match="append-only"):
        work.write(lambda unit: unit.session.execute(statement))
    assert len(_lines(client)) == 1


@pytest.fixture
def trail(make_database: MakeDatabase) -> Iterator[tuple[Path, Work]]:
    """A database file with five lines, its triggers taken off as somebody with the file may do."""
    url = make_database("sqlite", False)
    with TestClient(app_on(url), headers=BEARER) as client:
        for number in range(5):
            _post(client, "items", {**LAG, "ref": f"T-{number}"})
    file = Path(str(make_url(url).database))
    with closing(sqlite3.connect(file)) as connection:
        for verb in ("update", "delete"):
            connection.execute(f"DROP TRIGGER audit_line_no_{verb}")
        connection.commit()
    work = Work(Settings(database_url=url), lambda: NOW)
    yield file, work
    work.close()


_COPY = (
    "INSERT INTO audit_line SELECT 99, at, site_id, 'nobody', operation, subject, address, "
    "outcome, facts, 'made up', digest FROM audit_line WHERE seq = 2"
)


SPOILED = {
    "UPDATE audit_line SET actor = 'nobody' WHERE seq = 3": "audit line 3 was changed",
    "UPDATE audit_line SET at = '2030-01-01 00:00:00.000000' WHERE seq = 1": "audit line 1 was",
    "UPDATE audit_line SET facts = '{\"x\": 1}' WHERE seq = 5": "audit line 5 was changed",
    "UPDATE audit_line SET site_id = NULL WHERE seq = 2": "audit line 2 was changed",
    "DELETE FROM audit_line WHERE seq = 2": "audit line 3 does not follow",
    "DELETE FROM audit_line WHERE seq = 1": "audit line 2 does not follow",
    _COPY: "audit line 99 does not follow",
}


def test_a_trail_nobody_touched_verifies(trail: tuple[Path, Work]) -> None:
    assert trail[1].read(backup.verify).disagree == []


@pytest.mark.parametrize("statement", SPOILED)
def test_verify_names_the_first_link_that_somebody_broke(
    trail: tuple[Path, Work], statement: str
) -> None:
    file, work = trail
    with closing(sqlite3.connect(file)) as connection:
        assert connection.execute(statement).rowcount == 1
        connection.commit()
    (says,) = work.read(backup.verify).disagree
    assert says.startswith(SPOILED[statement])


def test_lines_cut_off_at_the_end_are_not_seen_by_the_chain_alone(
    trail: tuple[Path, Work],
) -> None:
    """What the chain cannot show: whoever keeps its newest digest elsewhere sees it."""
    file, work = trail
    with closing(sqlite3.connect(file)) as connection:
        connection.execute("DELETE FROM audit_line WHERE seq = 5")
        connection.commit()
    assert work.read(backup.verify).disagree == []


def test_postgresql_keeps_its_trail_from_being_emptied(make_database: MakeDatabase) -> None:
    url = make_database("postgresql", False)
    with TestClient(app_on(url), headers=BEARER) as client:
        _post(client, "items", LAG)
        work: Work = client.app.state.work  # type: ignore[attr-defined] # the client has a FastAPI
        with pytest.raises(DBAPIError, match="append-only"):
            work.write(lambda unit: unit.session.execute(text("TRUNCATE audit_line")))
