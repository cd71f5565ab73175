"""How often a request asks the database, and that it never asks the same thing twice.

Everything between the request and its answer is counted: who asks, the trail, and what a page's
frame shows. The bounds for plan, pick list and shortfalls are the department's; no source is known
for such figures. The others are what the request needs today, so that more is noticed.
"""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from sqlalchemy import event

from service.core.cover.check import check_cases
from service.core.cover.results import CaseCheck
from service.core.shortfalls import shortages
from service.operations.cases.lookup import get_case
from service.operations.cover.check import pick_route
from tests.conftest import BEARER, FORM_TOKEN, SESSION, MakeDatabase, app_on
from tests.operations.trays.packs import gs1
from web.pages.plans import plan_form_of

#: seed_data/list_cases.csv: a planned case on the first list day, which stands by with others.
CASE, DAY = "HAR-0712", "2031-03-04"


API = "/api/v1"


#: Opens, closes and guards a transaction; nothing is asked with it.
_CONTROL = ("BEGIN", "SAVEPOINT", "RELEASE", "ROLLBACK", "SELECT pg_advisory_xact_lock")


_WRITES = re.compile(r'(?:INSERT INTO|UPDATE|DELETE FROM) "?(\w+)')


_TABLES = re.compile(r'(?:FROM|JOIN|INTO|UPDATE) "?(\w+)')


@dataclass
class Statements:
    """What was sent to the database, in order, with its parameters."""

    sent: list[tuple[str, str]] = field(default_factory=list)

    def __call__(self, *args: Any) -> None:  # noqa: ANN401 - what SQLAlchemy tells its listeners
        text, parameters = args[2], args[3]
        if not text.startswith(_CONTROL):
            self.sent.append((" ".join(text.split()), repr(parameters)))

    def __str__(self) -> str:
        numbered = enumerate(self.sent, 1)
        return "\n".join(f"{number:3} {text}\n    {given}" for number, (text, given) in numbered)

    def repeated(self) -> list[tuple[str, str]]:
        """Give what was sent again although nothing it is about was written in between."""
        found = []
        for place, one in enumerate(self.sent):
            if one not in self.sent[:place]:
                continue
            former = place - 1 - self.sent[:place][::-1].index(one)
            between = (_WRITES.match(text) for text, _ in self.sent[former + 1 : place])
            written = {match.group(1) for match in between if match is not None}
            if written.isdisjoint(_TABLES.findall(one[0])):
                found.append(one)
        return found


@contextmanager
def counted(client: TestClient) -> Iterator[Statements]:
    """Write down every statement while the block runs."""
    assert isinstance(client.app, FastAPI)
    engine, statements = client.app.state.work.database.engine, Statements()
    event.listen(engine, "before_cursor_execute", statements)
    try:
        yield statements
    finally:
        event.remove(engine, "before_cursor_execute", statements)


@pytest.fixture
def browser(make_database: MakeDatabase, database_kind: str) -> Iterator[TestClient]:
    """Somebody signed in with a browser, at the demo hospital."""
    with TestClient(
        app_on(make_database(database_kind, True)),
        headers={"Accept": "text/html", "X-Form-Token": FORM_TOKEN},
        cookies={"traywright": SESSION},
        follow_redirects=False,
    ) as made:
        yield made


@pytest.fixture
def program(make_database: MakeDatabase, database_kind: str) -> Iterator[TestClient]:
    """A program with a token, at the demo hospital."""
    with TestClient(app_on(make_database(database_kind, True)), headers=BEARER) as made:
        yield made


def require(statements: Statements, most: int) -> None:
    """Refuse more statements than the bound, and the same one twice."""
    assert len(statements.sent) <= most, f"{len(statements.sent)} statements:\n{statements}"
    assert statements.repeated() == [], f"asked again:\n{statements}"


@pytest.mark.parametrize(
    ("path", "most"),
    [
        (f"/cases/{CASE}/plan", 25),
        (f"/cases/{CASE}/pick-list", 12),
        ("/shortfalls", 25),
        (f"/cases/{CASE}", 17),
        (f"/cases/{CASE}/tray", 14),
        (f"/lists/{DAY}", 14),
        # A case with metal in the bone has the rules asked what must be near.
        ("/stock", 16),
        ("/stock?kind=long_nail", 13),
        ("/stock/list", 6),
        ("/sets", 14),
        ("/expiring", 10),
    ],
)
def test_a_page_asks_each_thing_once(browser: TestClient, path: str, most: int) -> None:
    with counted(browser) as statements:
        answer = browser.get(path)
    assert answer.status_code == 200
    require(statements, most)


@pytest.mark.parametrize(
    ("path", "most"),
    [
        (f"/cases/{CASE}/pick_list", 12),
        ("/shortfalls?days=14", 25),
        (f"/cases/{CASE}", 3),
        (f"/cases/{CASE}/tray", 3),
        (f"/cases/{CASE}/holds", 3),
        (f"/checks/{DAY}", 11),
        (f"/readiness/{DAY}", 13),
        ("/stock", 3),
        (f"/lists?first={DAY}&last={DAY}", 4),
    ],
)
def test_a_program_asks_each_thing_once(program: TestClient, path: str, most: int) -> None:
    with counted(program) as statements:
        answer = program.get(API + path)
    assert answer.status_code == 200
    require(statements, most)


@pytest.mark.parametrize(("act", "status"), [("plan/check", 200), ("plan", 303)])
def test_a_plan_is_tried_and_saved_in_25_statements(
    browser: TestClient, act: str, status: int
) -> None:
    assert isinstance(browser.app, FastAPI)
    case = browser.app.state.work.read(lambda unit: get_case(unit, CASE))
    form = plan_form_of(case)
    # One alternate fewer: a revision that says something new.
    data = {**form.values, "version": str(case.version), "base": form.primary}
    data |= {f"alternate:{one}": "accept" for one in form.accepted[1:]}
    with counted(browser) as statements:
        answer = browser.post(f"/cases/{CASE}/{act}", data=data)
    assert answer.status_code == status
    require(statements, 25)


def test_a_program_plans_in_25_statements(program: TestClient) -> None:
    known = program.get(f"{API}/cases/{CASE}")
    plan = {"primary": known.json()["plan"]["primary"]}
    headers = {"If-Match": known.headers["etag"]}
    with counted(program) as statements:
        answer = program.put(f"{API}/cases/{CASE}/plan", json=plan, headers=headers)
    assert answer.status_code == 200
    require(statements, 25)


def _label(client: TestClient) -> str:
    """Print the label of a pack that the case is brought."""
    assert isinstance(client.app, FastAPI)
    route = client.app.state.work.read(lambda unit: pick_route(unit, CASE))
    row = next(
        row
        for row in route.check.pick_list
        if row.place != "on its shelf" and row.ref in route.gtins and row.lot
    )
    use_by = "" if row.use_by is None else f"{row.use_by:%y%m%d}"
    return gs1(row.ref, use_by=use_by, lot=row.lot, serial=row.serial)


@pytest.fixture
def checks(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Write down how many cases each check was asked about."""
    asked: list[int] = []

    def check(cases: Any, *more: Any) -> tuple[CaseCheck, ...]:  # noqa: ANN401 - handed on as it came
        asked.append(len(cases))
        return check_cases(cases, *more)

    monkeypatch.setattr(shortages, "check_cases", check)
    return asked


def test_a_scan_brings_a_pack_with_one_check(browser: TestClient, checks: list[int]) -> None:
    label = _label(browser)
    checks.clear()
    with counted(browser) as statements:
        answer = browser.post(f"/cases/{CASE}/tray/scan", data={"code": label})
    assert answer.status_code == 303
    assert len(checks) == 1
    # One of them reads when the newest line of the ledger was written, as each write does.
    require(statements, 26)


def test_a_scan_that_is_refused_leaves_no_trace(browser: TestClient, checks: list[int]) -> None:
    """The pack is on the tray already: judged with one check, nothing written."""
    label = _label(browser)
    assert browser.post(f"/cases/{CASE}/tray/scan", data={"code": label}).status_code == 303
    before = browser.get("/live/version").json()
    checks.clear()
    with counted(browser) as statements:
        answer = browser.post(f"/cases/{CASE}/tray/scan", data={"code": label})
    assert answer.status_code == 200
    assert len(checks) == 2
    assert not [text for text, _ in statements.sent if _WRITES.match(text)]
    assert browser.get("/live/version").json() == before


def test_a_program_scans_with_one_check(program: TestClient, checks: list[int]) -> None:
    label = _label(program)
    checks.clear()
    with counted(program) as statements:
        answer = program.post(f"{API}/scans", json={"raw": label, "case": CASE})
    assert answer.json()["verdict"] == "right"
    assert len(checks) == 1
    require(statements, 14)


def test_the_plan_page_checks_for_holds_for_the_cover_and_for_what_is_offered(
    browser: TestClient, checks: list[int]
) -> None:
    """Three states, three checks: what the case will hold, the day, and the day with the offers."""
    assert browser.get(f"/cases/{CASE}/plan").status_code == 200
    assert len(checks) == 3


def test_what_is_asked_twice_is_found_and_what_was_written_between_may_be() -> None:
    read, other = ("SELECT * FROM hold WHERE id = ?", "(1,)"), ("SELECT * FROM lot", "()")
    write = ("UPDATE hold SET quantity=? WHERE id = ?", "(2, 1)")
    assert Statements([read, other, read]).repeated() == [read]
    assert Statements([read, write, read]).repeated() == []
    assert Statements([other, write, other]).repeated() == [other]
    assert Statements([write, write]).repeated() == [write]
