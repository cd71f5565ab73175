"""What happens to one case reopens the confirmations of those that count on it, and says by what.

The small department of ``tests/small_theatre.py``: one nail set, away for 240 minutes once opened.
"""

from datetime import date, timedelta

import pytest

from service.operations.orders.progress import cancel_order, cancel_remaining, set_due_moments
from service.operations.orders.receive import add_delivery
from service.operations.orders.view import get_order
from service.schemas.orders import CancelBody, CancelRemainingBody, DueBody
from service.schemas.stock import DeliveryBody
from tests.conftest import NOW
from tests.small_theatre import BACKUP, FIRST_DAY, PRIMARY, Theatre, next_day, on_day

TODAY = NOW.date()


@pytest.fixture
def standing_by(theatre: Theatre) -> Theatre:
    """K1 keeps the only set unopened beside it; K2 has it in the afternoon, and is confirmed."""
    for ref, quantity in (("NAIL", 2), ("CAP", 2), ("SET", 1)):
        theatre.receive(ref, quantity)
    theatre.add_case("K1", day=TODAY, hour=8)
    theatre.plan("K1", BACKUP, PRIMARY)
    theatre.add_case("K2", day=TODAY, hour=14)
    theatre.plan("K2", PRIMARY)
    theatre.confirm("K2")
    theatre.pick("K1", "SET")
    theatre.status("K1", "in_theatre")
    return theatre


def test_a_set_that_stood_by_and_goes_back_unopened_costs_nobody_anything(
    standing_by: Theatre,
) -> None:
    # On the tray of K1 it has to come back, if only from there.
    assert standing_by.states("K2") == ["covered if"]
    standing_by.wait_until(on_day(TODAY, 9))
    standing_by.settle("K1", "SET", "return")
    assert (standing_by.states("K2"), standing_by.reopened("K2")) == (["covered"], "")


def test_a_set_that_stood_by_and_was_opened_reopens_the_case_that_has_it_next(
    standing_by: Theatre,
) -> None:
    standing_by.wait_until(on_day(TODAY, 9))
    standing_by.settle("K1", "SET", "reprocess")
    assert standing_by.states("K2") == ["covered if"]
    says = standing_by.reopened("K2")
    assert "was covered and is now covered if" in says
    assert "SET L1 is back by 14:00 (expected 13:00, after K1)" in says
    # Sterile again, the set is there; whoever confirmed has still to look.
    check = standing_by.check("K2")
    assert check.confirmation is not None
    assert not check.confirmation.in_force


def test_opened_too_late_it_is_lost_and_the_confirmation_says_to_whom(standing_by: Theatre) -> None:
    standing_by.wait_until(on_day(TODAY, 10) + timedelta(minutes=5))
    standing_by.settle("K1", "SET", "reprocess")
    assert standing_by.states("K2") == ["not covered"]
    assert "until 2031-03-03 14:05, for K1" in standing_by.reopened("K2")


def test_by_the_clock_alone_the_confirmation_reads_as_holding_no_longer(
    standing_by: Theatre,
) -> None:
    """Nobody has done anything: K1 is open two hours past its end, with the set on its tray."""
    standing_by.settle("K1", "SET", "return")
    standing_by.plan("K1", PRIMARY, BACKUP)
    standing_by.plan("K2", PRIMARY)
    standing_by.confirm("K2")
    standing_by.pick("K1", "SET")
    standing_by.wait_until(on_day(TODAY, 11))
    check = standing_by.check("K2")
    assert check.state == "not covered"
    assert check.confirmation is not None
    assert not check.confirmation.in_force
    assert any("for K1" in said for said in check.confirmation.changed)


def _awaited(theatre: Theatre) -> None:
    """The nail of K1 comes the evening before; the surgeon has confirmed with that in view."""
    for ref in ("CAP", "SET"):
        theatre.receive(ref, 1)
    theatre.add_case("K1", day=next_day(1))
    theatre.plan("K1", PRIMARY)
    _due(theatre, FIRST_DAY)
    (gap,) = theatre.check("K1").constructs[0].gaps
    assert gap.because == "not_here_yet"
    theatre.confirm("K1")


def _moments(day: date) -> dict[str, str]:
    return {"due_at": f"{day}T17:00", "usable_from": f"{day}T18:00"}


def _due(theatre: Theatre, day: date) -> None:
    facts = {"reference": "D1", "ref": "NAIL", "quantity": 1, **_moments(day)}
    body = DeliveryBody.model_validate(facts)
    theatre.work.write(lambda unit: add_delivery(unit, body), "storekeeper")


def _put_off(theatre: Theatre, day: date) -> None:
    version = theatre.work.read(lambda unit: get_order(unit, "D1")).version
    body = DueBody.model_validate(_moments(day))
    theatre.work.write(lambda unit: set_due_moments(unit, "D1", body, version))


def test_a_delivery_that_is_named_for_later_reopens_who_confirmed_with_it_in_view(
    theatre: Theatre,
) -> None:
    _awaited(theatre)
    _put_off(theatre, FIRST_DAY)
    assert theatre.reopened("K1") == ""
    _put_off(theatre, next_day(2))
    assert "too late for this case" in theatre.reopened("K1")


def test_a_cancelled_order_reopens_who_confirmed_with_it_in_view(theatre: Theatre) -> None:
    _awaited(theatre)
    body = CancelBody(reason="not to be had")
    theatre.work.write(lambda unit: cancel_order(unit, "D1", body))
    assert theatre.reopened("K1").endswith("not in stock.")
    check = theatre.check("K1")
    assert check.confirmation is not None
    assert not check.confirmation.in_force


def test_what_is_let_go_of_reopens_it_too(theatre: Theatre) -> None:
    _awaited(theatre)
    body = CancelRemainingBody(reason="no longer made")
    theatre.work.write(lambda unit: cancel_remaining(unit, "D1", body))
    assert theatre.reopened("K1").endswith("not in stock.")


def test_a_status_costs_nobody_anything_by_itself(standing_by: Theatre) -> None:
    standing_by.wait_until(on_day(TODAY, 9))
    standing_by.settle("K1", "SET", "return")
    standing_by.status("K1", "closed")
    assert (standing_by.states("K2"), standing_by.reopened("K2")) == (["covered"], "")
