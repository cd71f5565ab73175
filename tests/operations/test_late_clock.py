"""A clock that is behind the ledger: what is in date or due cannot be told, so nothing is said.

A minute is what two machines' clocks may differ (common practice, no source).
"""

from datetime import timedelta

import pytest
from fastapi.testclient import TestClient

from service.errors import ClockBehind
from service.main import create_app
from service.operations.cover.check import check_case, check_day
from service.operations.trays.scans import scan_named_pack
from service.operations.work import Work
from service.schemas.trays import NamedPackBody
from service.settings import Settings
from tests.conftest import BEARER, NOW, MakeDatabase
from tests.small_theatre import FIRST_DAY, Theatre, furnish


@pytest.fixture
def theatre(work: Work) -> Theatre:
    furnish(work)
    made = Theatre(work)
    made.add_case("K1")
    made.receive("NAIL", 2)
    made.receive("SET", 1)
    made.plan("K1")
    return made


def test_a_clock_behind_the_ledger_writes_nothing_and_says_by_how_much(theatre: Theatre) -> None:
    before = theatre.lines()
    theatre.work.clock = lambda: NOW - timedelta(hours=1, seconds=5)
    with pytest.raises(
        ClockBehind, match=r"behind the stock ledger by 1:00:05 .*nothing was saved"
    ):
        theatre.receive("NAIL", 1, lot="L2")
    assert theatre.lines() == before
    theatre.work.clock = lambda: NOW
    theatre.receive("NAIL", 1, lot="L2")
    assert len(theatre.lines()) == len(before) + 1


def test_a_clock_behind_the_ledger_judges_nothing(theatre: Theatre) -> None:
    pack = NamedPackBody(ref="NAIL", lot="L1")
    theatre.work.clock = lambda: NOW - timedelta(days=400)
    with pytest.raises(ClockBehind):
        theatre.work.read(lambda unit: check_case(unit, "K1"))
    with pytest.raises(ClockBehind):
        theatre.work.read(lambda unit: check_day(unit, FIRST_DAY))
    with pytest.raises(ClockBehind):
        theatre.work.read(lambda unit: scan_named_pack(unit, pack))
    with pytest.raises(ClockBehind):
        theatre.work.rehearse(lambda unit: check_case(unit, "K1"))
    assert theatre.case("K1").reference == "K1", "what is on record is still read"


def test_a_minute_behind_is_no_matter(theatre: Theatre) -> None:
    theatre.work.clock = lambda: NOW - timedelta(minutes=1)
    theatre.receive("NAIL", 1, lot="L2")
    assert theatre.work.read(lambda unit: check_case(unit, "K1")).state == "covered"
    theatre.work.clock = lambda: NOW - timedelta(minutes=1, microseconds=1)
    # The newest line is the one from a minute ago now: the ledger is the measure, not our clock.
    theatre.receive("NAIL", 1, lot="L3")


def _pack_received() -> dict[str, object]:
    """A lag screw of the demo's catalogue for one of its shelves (seed_data/stock.csv)."""
    to = {"store": "Theatre store", "shelf": "F-03-2"}
    facts = {"ref": "FAL-L-115", "lot": "L9", "use_by": "2033-05-31", "quantity": 1, "to": to}
    return {"kind": "receive", **facts}


def test_over_http_it_is_a_problem_that_says_so(
    make_database: MakeDatabase, database_kind: str
) -> None:
    url = make_database(database_kind, True)
    app = create_app(Settings(database_url=url), lambda: NOW - timedelta(minutes=2))
    with TestClient(app, headers=BEARER) as client:
        answers = [
            client.post("/api/v1/movements", json=_pack_received()),
            client.get(f"/api/v1/checks/{FIRST_DAY}"),
        ]
    for answer in answers:
        assert answer.status_code == 503
        assert answer.json()["type"] == "/api/v1/problems/clock-behind"
        assert answer.json()["behind_seconds"] == 120
        assert "nothing was saved" in answer.json()["detail"]
