"""A long import: what its page says while it runs, and what it says afterwards."""

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from service.operations import imports
from service.operations.long_work import Report
from service.operations.work import Work
from tests.conftest import BEARER, app_on
from tests.two_sites import add_somebody, bearer

HTML = {"Accept": "text/html"}


SEED = Path(__file__).parents[3] / "seed_data"


def _catalogue(rows: int, *, wrong: int = 0) -> bytes:
    """Write a catalogue of screws, some of them of a kind that does not exist."""
    lines = ["ref,kind,system,description,supplier,length_mm,supplied_sterile,reusable"]
    for number in range(rows):
        kind = "teapot" if number < wrong else "lag_screw"
        lines.append(f"R-{number},{kind},Ambleford,Screw,Somebody,90,yes,no")
    return "\n".join(lines).encode()


@pytest.fixture
def client(work: Work) -> Iterator[TestClient]:
    with TestClient(app_on(work.settings.database_url), headers=BEARER) as made:
        yield made


def _bring(client: TestClient, data: bytes) -> str:
    answer = client.post(
        "/import",
        data={"format": "catalogue"},
        files={"file": ("lines.csv", data)},
        headers=HTML,
        follow_redirects=False,
    )
    assert answer.status_code == 303
    return str(answer.headers["location"])


def _wait(client: TestClient, at: str) -> str:
    """Ask for the progress, as the page's script does, until there is a next page."""
    for _ in range(2000):
        told = client.get(f"{at}/now").json()
        if told["next"]:
            return str(told["next"])
        threading.Event().wait(0.01)
    raise AssertionError("the import did not end")


def test_a_long_file_is_brought_while_its_page_says_how_far_it_is(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun, go_on = threading.Event(), threading.Event()
    import_file = imports.import_file

    def slow(*args: object, report: Report, **more: object) -> object:
        report("comparing with existing records", 1200, 2500)
        begun.set()
        assert go_on.wait(10)
        return import_file(*args, report=report, **more)  # type: ignore[arg-type] # handed on

    monkeypatch.setattr("web.pages.imports.import_file", slow)
    at = _bring(client, _catalogue(2500))
    assert begun.wait(10)
    page = client.get(at, headers=HTML).text
    assert "comparing with existing records: 1200 of 2500" in page
    assert '<progress id="bar" value="1200" max="2500">' in page
    assert '<noscript><meta http-equiv="refresh"' in page
    told = client.get(f"{at}/now").json()
    assert (told["state"], told["done"], told["total"], told["next"]) == (
        "running",
        1200,
        2500,
        None,
    )
    go_on.set()
    result = client.get(_wait(client, at), headers=HTML)
    assert "2500 new, 0 changed" in result.text
    assert client.get(at, headers=HTML, follow_redirects=False).status_code == 303


def test_faults_are_listed_the_first_twenty_open_and_nothing_is_saved(client: TestClient) -> None:
    result = client.get(_wait(client, _bring(client, _catalogue(2500, wrong=60))), headers=HTML)
    assert result.status_code == 422
    assert "nothing was saved" in result.text
    before, _, rest = result.text.partition("Show the other")
    assert (before.count("column kind"), rest.count("column kind")) == (20, 40)
    assert client.get("/api/v1/items").json()["items"] == []


def test_a_crash_is_told_and_nothing_is_saved(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    def crashes(*_args: object, **_more: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr("web.pages.imports.import_file", crashes)
    result = client.get(_wait(client, _bring(client, _catalogue(2500))), headers=HTML)
    assert result.status_code == 422
    assert "went wrong. Nothing was saved." in result.text


def test_nobody_else_sees_what_somebody_brings(work: Work, client: TestClient) -> None:
    add_somebody(work, "anna", ["administrator"])
    at = _bring(client, _catalogue(2500))
    for path in (at, f"{at}/now", f"/import?work={at.rpartition('/')[2]}"):
        answer = client.get(path, headers={**HTML, **bearer("anna")}, follow_redirects=False)
        assert answer.status_code == 404
        assert "This job was not found" in answer.text
    _wait(client, at)


def test_a_short_file_is_answered_at_once(client: TestClient) -> None:
    answer = client.post(
        "/import",
        data={"format": "catalogue"},
        files={"file": ("catalogue.csv", (SEED / "catalogue.csv").read_bytes())},
        headers=HTML,
        follow_redirects=False,
    )
    assert answer.status_code == 200
    assert "599 new" in answer.text
