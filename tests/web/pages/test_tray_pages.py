"""The tray on its page: what has still to be brought, and what must not be used."""

import re
from collections.abc import Iterator
from datetime import timedelta

import pytest
from fastapi.testclient import TestClient

from service.operations.locations import add_location
from service.operations.work import Work
from service.schemas.stock import LocationBody
from service.settings import Settings
from tests.conftest import BEARER, NOW, MakeDatabase, app_on
from tests.small_theatre import BACKUP, PRIMARY, Theatre, furnish
from tests.web.pages.test_sets import HTML, Clock, _words

NAMED_LIKE_THE_CASE = {"store": "Store", "shelf": "K1"}


NAIL = "ref=NAIL&lot=L1&ownership=owned"


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def theatre(make_database: MakeDatabase, clock: Clock) -> Iterator[Theatre]:
    """K1 of today is planned; its cap lies on a shelf named like it, its nail is used by today."""
    work = Work(Settings(database_url=make_database("sqlite", False)), clock)
    furnish(work)
    body = LocationBody.model_validate(NAMED_LIKE_THE_CASE)
    work.write(lambda unit: add_location(unit, body))
    made = Theatre(work)
    made.receive("NAIL", 1, use_by=NOW.date())
    made.receive("CAP", 1, to=NAMED_LIKE_THE_CASE)
    made.receive("SET", 1)
    made.add_case("K1", day=NOW.date(), hour=22)
    made.plan("K1", PRIMARY, BACKUP)
    yield made
    work.close()


@pytest.fixture
def pages(theatre: Theatre, clock: Clock) -> Iterator[TestClient]:
    app = app_on(theatre.work.settings.database_url, clock)
    with TestClient(app, headers={**BEARER, **HTML}, follow_redirects=False) as made:
        yield made


def test_what_lies_on_a_shelf_named_like_the_case_is_still_to_bring(
    theatre: Theatre, pages: TestClient
) -> None:
    for ref in ("NAIL", "SET"):
        theatre.pick("K1", ref)
    assert "Still to pick: 1" in _words(pages, "/cases/K1/tray")
    assert "1 pack to pick from 1 store" in _words(pages, "/cases/K1/pick-list")


def test_after_midnight_the_tray_says_what_has_expired_and_asks_before_it_was_used(
    theatre: Theatre, pages: TestClient, clock: Clock
) -> None:
    theatre.pick("K1", "NAIL")
    theatre.status("K1", "in_theatre")
    assert "do not use" not in _words(pages, "/cases/K1/tray")
    assert "was_used" not in pages.get(f"/cases/K1/tray/fate?fate=implant&{NAIL}").text
    clock.now = NOW + timedelta(hours=17, minutes=20)
    assert "do not use: expired" in _words(pages, "/cases/K1/tray")
    asked = pages.get(f"/cases/K1/tray/fate?fate=implant&{NAIL}").text
    assert "It is expired." in asked
    assert 'name="was_used"' in asked
    sent = {"fate": "implant", "ref": "NAIL", "lot": "L1", "ownership": "owned"}
    refused = pages.post("/cases/K1/tray/fate", data=sent)
    assert refused.status_code == 422
    assert "it must not be used: expired" in refused.text.lower()
    taken = pages.post("/cases/K1/tray/fate", data={**sent, "was_used": "true"})
    assert taken.status_code == 303
    assert "used although unfit" in _words(pages, "/cases/K1")


def test_what_has_expired_on_the_tray_can_be_thrown_away_without_more_ado(
    theatre: Theatre, pages: TestClient, clock: Clock
) -> None:
    theatre.pick("K1", "NAIL")
    theatre.status("K1", "in_theatre")
    clock.now = NOW + timedelta(hours=17, minutes=20)
    sent = {"fate": "waste", "ref": "NAIL", "lot": "L1", "reason": "expired"}
    assert pages.post("/cases/K1/tray/fate", data=sent).status_code == 303


def test_case_pick_list_and_tray_count_the_same_packs(theatre: Theatre, pages: TestClient) -> None:
    for ref in ("", "NAIL", "SET"):
        if ref:
            theatre.pick("K1", ref)
        counts = {
            _number(_words(pages, "/cases/K1"), r"Pick list \((\d+) packs?"),
            _number(_words(pages, "/cases/K1/pick-list"), r"(\d+) packs? to pick"),
            _number(_words(pages, "/cases/K1/tray"), r"Still to pick: (\d+)"),
        }
        # A nail, its set and, as a backup, an end cap: tests/small_theatre.py.
        assert counts == {{"": 3, "NAIL": 2, "SET": 1}[ref]}


def _number(words: str, pattern: str) -> int:
    found = re.search(pattern, words)
    assert found is not None, pattern
    return int(found[1])


def test_each_act_says_what_it_saved_and_an_address_alone_says_nothing(
    theatre: Theatre, pages: TestClient
) -> None:
    for ref in ("NAIL", "SET"):
        theatre.pick("K1", ref)
    for claim in ("closed", "in_theatre", "all", f"implant&{NAIL}", f"return&{NAIL}"):
        assert "Saved" not in _words(pages, f"/cases/K1/tray?done={claim}")
    theatre.status("K1", "in_theatre")
    sent = {"fate": "implant", "ref": "NAIL", "lot": "L1", "ownership": "owned"}
    answer = pages.post("/cases/K1/tray/fate", data=sent)
    words = _words(pages, answer.headers["location"])
    assert "NAIL, L1: implanted. It is in the implant log." in words
    answer = pages.post("/cases/K1/tray/back")
    words = _words(pages, answer.headers["location"])
    assert "Saved: the tray of case K1 is empty" in words
    # What is on a tray is told apart by its size.
    assert re.search(r"nail \d+ × \d+ mm", words, re.IGNORECASE) is not None
