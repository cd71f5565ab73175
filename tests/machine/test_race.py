"""32 clients race for the last units over HTTP: each unit goes to exactly one of them.

No double booking of a limited resource: OWASP ASVS 5.0, requirement 2.3.4. ``TRAYWRIGHT_RACES``
sets how many attempts are made on each database; 2,000 without it.
"""

import os
import threading
import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from typing import Any

import httpx
import pytest
from sqlalchemy import create_engine, text

from tests.conftest import BEARER, opened
from tests.machine.conftest import NewDatabase
from tests.machine.live import API, serving, verify
from tests.small_theatre import SHELF, Theatre, assert_true

ATTEMPTS = int(os.environ.get("TRAYWRIGHT_RACES", "2000"))


CLIENTS = 32


UNITS = 3


ROUNDS = ATTEMPTS // CLIENTS


Attempt = Callable[[httpx.Client, str, str], httpx.Response]


def hold(client: httpx.Client, case: str, lot: str) -> httpx.Response:
    body = {"case": case, "ref": "NAIL", "lot": lot, "at": SHELF}
    return client.post(f"{API}/holds", json=body)


def pick(client: httpx.Client, case: str, lot: str) -> httpx.Response:
    body = {"ref": "NAIL", "lot": lot, "at": SHELF, "although": "raced for"}
    return client.post(f"{API}/cases/{case}/packs", json=body)


def race(base: str, attempt: Attempt, lots: list[str]) -> list[Counter[int]]:
    """Let every client try once for every lot, all of them at the same time."""
    start = threading.Barrier(CLIENTS)
    answers: list[Counter[int]] = [Counter() for _ in lots]
    count = threading.Lock()

    def run(number: int) -> None:
        with httpx.Client(base_url=base, headers=BEARER, timeout=60) as client:
            for place, lot in enumerate(lots):
                start.wait(120)
                response = attempt(client, f"K{number}", lot)
                with count:
                    answers[place][response.status_code] += 1

    def run_or_stop_all(number: int) -> Exception | None:
        try:
            run(number)
        except Exception as error:  # noqa: BLE001 - a thread's error is raised in the test below
            start.abort()
            return error
        return None

    with ThreadPoolExecutor(CLIENTS) as pool:
        errors = list(pool.map(run_or_stop_all, range(CLIENTS)))
    for error in errors:
        if error is not None and not isinstance(error, threading.BrokenBarrierError):
            raise error
    assert errors == [None] * CLIENTS
    return answers


@pytest.mark.timeout(60 + ATTEMPTS // 10)
def test_the_last_units_go_to_exactly_as_many_as_there_are(new_database: NewDatabase) -> None:
    url = new_database()
    with opened(url, lambda: datetime.now(UTC)) as work:
        theatre = Theatre(work)
        for number in range(CLIENTS):
            theatre.add_case(f"K{number}", hour=8 + number % 12, theatre=f"T{number}")
        lots: dict[Attempt, list[str]] = {
            hold: [f"H{place}" for place in range(ROUNDS - ROUNDS // 2)],
            pick: [f"P{place}" for place in range(ROUNDS // 2)],
        }
        for names in lots.values():
            for lot in names:
                theatre.receive("NAIL", UNITS, lot)
        with serving(url) as server:
            for attempt, names in lots.items():
                found = race(server.base, attempt, names)
                assert found == [Counter({201: UNITS, 409: CLIENTS - UNITS})] * len(names)
        assert all(theatre.balance("NAIL", lot=lot) == (UNITS, UNITS) for lot in lots[hold][:5])
        assert all(theatre.balance("NAIL", lot=lot) == (0, 0) for lot in lots[pick][:5])
        assert_true(work)
    assert verify(url).returncode == 0


def test_who_reads_first_and_writes_later_oversells(new_database: NewDatabase) -> None:
    """The control: the same race can be lost. Read, pause 20 ms, write, and no lock."""
    engine = create_engine(new_database(), isolation_level="AUTOCOMMIT", pool_size=CLIENTS)
    with engine.connect() as connection:
        connection.execute(text("CREATE TABLE shelf (units INTEGER)"))
        connection.execute(text("INSERT INTO shelf VALUES (:units)"), {"units": UNITS})
    start = threading.Barrier(CLIENTS)

    def buy(_: int) -> bool:
        with engine.connect() as connection:
            connection.execute(text("SELECT 1"))
            start.wait(60)
            left: Any = connection.execute(text("SELECT units FROM shelf")).scalar()
            if left < 1:
                return False
            time.sleep(0.02)
            connection.execute(text("UPDATE shelf SET units = :left"), {"left": left - 1})
            return True

    with ThreadPoolExecutor(CLIENTS) as pool:
        sold = sum(pool.map(buy, range(CLIENTS)))
    engine.dispose()
    assert sold > UNITS
