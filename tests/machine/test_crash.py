"""kill −9 while several clients write: nothing acknowledged is lost, nothing is done twice.

``TRAYWRIGHT_KILLS`` sets how often the service is killed; few times without it. Killing a process
cannot show what a power cut does to a disk: for that, ``synchronous = FULL`` is checked elsewhere.
"""

import itertools
import os
import random
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import httpx
import pytest
from sqlalchemy import select

from service.storage.tables import Movement
from tests.conftest import BEARER, opened
from tests.machine.conftest import NewDatabase
from tests.machine.live import API, serving, verify
from tests.small_theatre import OTHER_SHELF, SHELF, Theatre, assert_true

KILLS = int(os.environ.get("TRAYWRIGHT_KILLS", "5"))


CLIENTS = 4


CASES = [f"K{number}" for number in range(CLIENTS)]


#: So many writes are acknowledged before a kill, however busy the machine is.
WRITTEN = 5


PATIENCE_SECONDS = 60


@dataclass
class Request:
    """A write with a key of its own, which its line of the ledger carries as its reason."""

    key: str
    path: str
    body: dict[str, Any]
    status: int | None = None
    answer: object = None
    leaves_a_line: bool = True

    def send(self, client: httpx.Client) -> None:
        response = client.post(
            API + self.path, json=self.body, headers={"Idempotency-Key": self.key}
        )
        self.status, self.answer = response.status_code, response.json()


def a_request(key: str, case: str, luck: random.Random) -> Request:
    nails: dict[str, Any] = {"ref": "NAIL", "lot": "L1", "quantity": 1}
    there, back = (SHELF, OTHER_SHELF) if luck.random() < 0.6 else (OTHER_SHELF, SHELF)
    kind = luck.choice(["move", "write_off", "pick", "waste", "return", "hold"])
    if kind == "move":
        facts = {**nails, "kind": kind, "origin": there, "to": back, "reason": key}
        return Request(key, "/movements", facts)
    if kind == "write_off":
        facts = {**nails, "kind": kind, "at": there, "reason": key}
        return Request(key, "/movements", facts)
    if kind == "pick":
        return Request(key, f"/cases/{case}/packs", {**nails, "at": there, "although": key})
    if kind == "hold":
        facts = {**nails, "case": case, "at": there}
        return Request(key, "/holds", facts, leaves_a_line=False)
    return Request(key, f"/cases/{case}/fates", {**nails, "fate": kind, "reason": key})


@dataclass
class Client:
    """Writes until the service is gone; the request that gets no answer stays the last."""

    name: str
    base: str
    round: int
    sent: list[Request] = field(default_factory=list)

    def acknowledged(self) -> int:
        return sum(request.status == 201 for request in self.sent)

    def run(self) -> None:
        luck = random.Random(f"{self.name} {self.round}")  # noqa: S311 - a test's dice, not a secret
        with httpx.Client(base_url=self.base, headers=BEARER, timeout=20) as client:
            for number in itertools.count():
                request = a_request(f"{self.name}-{self.round}-{number:05}", self.name, luck)
                self.sent.append(request)
                try:
                    request.send(client)
                except httpx.TransportError:
                    return


def lines_by_reason(theatre: Theatre) -> Counter[str]:
    query = select(Movement.reason)  # type: ignore[call-overload] # SQLModel types a column as its value
    return Counter(theatre.work.read(lambda unit: unit.session.execute(query).scalars().all()))


def write_until_killed(url: str, number: int) -> list[Request]:
    with serving(url) as server:
        clients = [Client(case, server.base, number) for case in CASES]
        threads = [threading.Thread(target=client.run) for client in clients]
        for thread in threads:
            thread.start()
        until = time.monotonic() + PATIENCE_SECONDS
        while sum(map(Client.acknowledged, clients)) < WRITTEN and time.monotonic() < until:
            time.sleep(0.01)
        # The kill falls into another moment of a write each time.
        time.sleep(0.13 * (number % 7))
        server.kill()
        for thread in threads:
            thread.join()
    return [request for client in clients for request in client.sent]


def assert_nothing_lost_nothing_twice(theatre: Theatre, sent: list[Request]) -> None:
    lines = lines_by_reason(theatre)
    for request in sent:
        if request.status is None or not request.leaves_a_line:
            continue
        assert lines[request.key] == (request.status == 201), request


def send_again(url: str, sent: list[Request]) -> None:
    """Repeat what got no answer, twice, and some of what did: each acts once, all told."""
    unanswered = [request for request in sent if request.status is None]
    answered = [request for request in sent if request.status == 201][-5:]
    with (
        serving(url) as server,
        httpx.Client(base_url=server.base, headers=BEARER, timeout=20) as client,
    ):
        for request in unanswered:
            request.send(client)
            first = request.status, request.answer
            assert request.status is not None
            assert request.status < 500, request
            if request.status == 201:
                request.send(client)
                assert (request.status, request.answer) == first
        for request in answered:
            first = request.status, request.answer
            request.send(client)
            assert (request.status, request.answer) == first


@pytest.mark.timeout(120 + 20 * KILLS)
def test_no_kill_loses_or_doubles_a_movement(new_database: NewDatabase) -> None:
    url = new_database()
    with opened(url, lambda: datetime.now(UTC)) as work:
        theatre = Theatre(work)
        theatre.receive("NAIL", 5_000)
        theatre.receive("NAIL", 5_000, to=OTHER_SHELF)
        for hour, case in enumerate(CASES, start=8):
            theatre.add_case(case, hour=hour)
        acknowledged = unanswered = 0
        for number in range(KILLS):
            sent = write_until_killed(url, number)
            assert_true(work)
            assert_nothing_lost_nothing_twice(theatre, sent)
            acknowledged += sum(request.status == 201 for request in sent)
            unanswered += sum(request.status is None for request in sent)
            send_again(url, sent)
            assert_nothing_lost_nothing_twice(theatre, sent)
        assert_true(work)
    # A round in which nobody wrote, or nobody was cut off, would show nothing.
    assert acknowledged >= WRITTEN * KILLS
    assert unanswered >= KILLS
    said = verify(url)
    assert said.returncode == 0, said.stdout + said.stderr
