"""A full disk: the change is refused as a whole and said, and writing resumes with space.

SQLite is told how many pages its file may have (``PRAGMA max_page_count``, sqlite.org/pragma.html);
beyond them it answers SQLITE_FULL exactly as when the disk is full.
"""

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import event
from sqlalchemy.engine import Engine

from service.errors import Unavailable
from service.main import create_app
from service.operations.work import Work
from service.settings import Settings
from tests.conftest import BEARER, NOW, let_in, opened
from tests.small_theatre import SHELF, USE_BY, Theatre, assert_true, furnish

ROOM = 1_000_000


class Disk:
    """How many pages every connection of an engine may fill."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self.pages = ROOM
        event.listen(engine, "checkout", self._limit)

    def _limit(self, connection: sqlite3.Connection, *_: object) -> None:
        connection.execute(f"PRAGMA max_page_count = {self.pages}")

    def fill(self) -> None:
        """Leave not a page beyond those in use; the pragma never goes below them."""
        self.pages = 1

    def clear(self) -> None:
        self.pages = ROOM


@pytest.fixture
def furnished(tmp_path: Path) -> Iterator[Work]:
    with opened(f"sqlite:///{tmp_path / 'full.db'}") as work:
        work.prepare()
        furnish(work)
        yield work


def receive_lots(theatre: Theatre, first: int, last: int) -> None:
    for number in range(first, last):
        theatre.receive("NAIL", 1, f"LOT-{number:0100}")


def test_what_does_not_fit_is_refused_as_a_whole_and_writing_resumes(furnished: Work) -> None:
    disk, theatre = Disk(furnished.database.engine), Theatre(furnished)
    disk.fill()
    with pytest.raises(Unavailable, match="disk"):
        receive_lots(theatre, 0, 2_000)
    went_in = len(theatre.lines())
    assert_true(furnished)
    with pytest.raises(Unavailable, match="disk"):
        receive_lots(theatre, 2_000, 4_000)
    assert_true(furnished)
    disk.clear()
    receive_lots(theatre, went_in, went_in + 50)
    assert theatre.balance("NAIL", lot=f"LOT-{went_in + 49:0100}") == (1, 0)
    assert_true(furnished)


def test_over_http_a_full_disk_is_503_until_there_is_space(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'full.db'}"
    with opened(url) as work:
        work.prepare()
        work.write(let_in)
        furnish(work)
    app = create_app(Settings(database_url=url), lambda: NOW)
    body = {
        "kind": "receive",
        "ref": "NAIL",
        "quantity": 1,
        "to": SHELF,
        "use_by": USE_BY.isoformat(),
    }
    with TestClient(app, headers=BEARER) as client:
        disk = Disk(app.state.work.database.engine)
        disk.fill()

        def send(number: int) -> tuple[int, str]:
            key = f"disk-{number:06}"
            response = client.post(
                "/api/v1/movements",
                json={**body, "lot": f"LOT-{number:0100}"},
                headers={"Idempotency-Key": key},
            )
            return response.status_code, response.json().get("type", "")

        answers = [send(number) for number in range(150)]
        refused = [place for place, (status, _) in enumerate(answers) if status != 201]
        assert refused
        assert {answers[place] for place in refused} == {(503, "/api/v1/problems/unavailable")}
        assert client.get("/api/v1/stock").status_code == 200
        disk.clear()
        assert all(send(place)[0] == 201 for place in range(150))
        rows = client.get("/api/v1/stock", params={"limit": 500}).json()["stock"]
        assert len(rows) == 150
        assert sum(row["quantity"] for row in rows) == 150
        assert_true(app.state.work)
