"""A request with a key acts once, however often and however closely it comes (RFC draft
``draft-ietf-httpapi-idempotency-key-header``): key, change and answer are one transaction."""

import threading
from concurrent.futures import ThreadPoolExecutor

import pytest

from service.errors import Conflict
from service.operations.stock.movements import record_movement
from service.operations.work import fingerprint_of, run_once
from service.schemas.stock import MovementOut
from service.storage.tables import DoneRequest
from tests.small_theatre import SHELF, USE_BY, Theatre, movement

KEY = "a-key-of-my-own"


def send(theatre: Theatre, key: str = KEY, quantity: int = 1, kind: str = "receive") -> MovementOut:
    where = {"to": SHELF, "use_by": USE_BY} if kind == "receive" else {"at": SHELF, "reason": "x"}
    body = movement(kind, ref="NAIL", lot="L1", quantity=quantity, **where)
    fingerprint = fingerprint_of("POST /movements", body.model_dump_json())
    return theatre.work.write(
        lambda unit: run_once(
            unit, key, fingerprint, lambda one: record_movement(one, body), MovementOut
        )
    )


def test_the_same_request_again_acts_once_and_answers_the_same(theatre: Theatre) -> None:
    first = send(theatre)
    again = send(theatre)
    assert again.model_dump(mode="json") == first.model_dump(mode="json")
    assert theatre.balance("NAIL") == (1, 0)
    assert len(theatre.lines()) == 1


def test_another_key_acts_again(theatre: Theatre) -> None:
    send(theatre)
    send(theatre, "another-key")
    assert theatre.balance("NAIL") == (2, 0)


def test_another_request_with_the_same_key_is_refused(theatre: Theatre) -> None:
    send(theatre)
    with pytest.raises(Conflict) as refused:
        send(theatre, quantity=2)
    assert refused.value.facts == {"idempotency_key": KEY}
    assert theatre.balance("NAIL") == (1, 0)


def test_a_request_that_failed_leaves_its_key_unused(theatre: Theatre) -> None:
    send(theatre, "the-first-key")
    with pytest.raises(Conflict):
        send(theatre, kind="write_off", quantity=5)
    assert [row.key for row in theatre.rows(DoneRequest)] == ["the-first-key"]
    send(theatre, kind="write_off", quantity=1)
    assert theatre.balance("NAIL") == (0, 0)


def test_many_at_the_same_moment_act_once_and_all_get_the_same_answer(theatre: Theatre) -> None:
    clients = 8
    start = threading.Barrier(clients)

    def run(_: int) -> MovementOut:
        start.wait(20)
        return send(theatre)

    with ThreadPoolExecutor(clients) as pool:
        answers = list(pool.map(run, range(clients)))
    assert {answer.seq for answer in answers} == {1}
    assert theatre.balance("NAIL") == (1, 0)


def test_parts_of_a_fingerprint_cannot_run_into_each_other() -> None:
    assert fingerprint_of("ab", "c") != fingerprint_of("a", "bc")
    assert fingerprint_of("ab", b"c") == fingerprint_of("ab", "c")
