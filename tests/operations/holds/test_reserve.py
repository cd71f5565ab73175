"""Promises by hand, and taking over for an urgent case: who loses a pack is named and told.

The small department of ``tests/small_theatre.py`` is counted by hand.
"""

from typing import Any

import pytest

from service.errors import BadInput, Conflict, Taken
from tests.small_theatre import BACKUP, OTHER_SHELF, PRIMARY, Theatre, next_day


def test_a_promise_is_kept_and_said(theatre: Theatre) -> None:
    theatre.receive("NAIL", 2)
    theatre.add_case("K1")
    (held,) = theatre.promise("K1", "NAIL", 2).holds
    assert (held.ref, held.quantity, held.first_use, held.actor) == ("NAIL", 2, True, "nurse")
    assert theatre.balance("NAIL") == (2, 2)


def test_more_than_is_there_is_not_promised(theatre: Theatre) -> None:
    theatre.receive("NAIL", 1)
    theatre.add_case("K1")
    wrongs: list[dict[str, Any]] = [{"quantity": 2}, {"at": OTHER_SHELF}, {"lot": "L9"}]
    for wrong in wrongs:
        with pytest.raises(BadInput) as refused:
            theatre.promise("K1", "NAIL", **wrong)
        assert refused.value.faults[0].pointer == "/quantity"


def test_what_is_promised_is_refused_and_the_list_that_holds_it_named(theatre: Theatre) -> None:
    theatre.receive("NAIL", 1)
    theatre.add_case("K1")
    theatre.add_case("K2", theatre="T2")
    theatre.promise("K1", "NAIL")
    with pytest.raises(Taken, match="case K1, list 2031-03-04 T1"):
        theatre.promise("K2", "NAIL")


def test_an_urgent_case_takes_over_and_who_loses_is_named_reopened_and_held_again(
    theatre: Theatre,
) -> None:
    theatre.receive("NAIL", 1)
    theatre.receive("NAIL", 1, "L2")
    theatre.add_case("K1")
    theatre.plan("K1")
    version = theatre.case("K1").version
    theatre.add_case("K2", theatre="T2")
    done = theatre.promise("K2", "NAIL", take_over=True, reason="bleeding")
    assert done.reopened == ["K1"]
    assert theatre.events("K1") == [("lost a pack", "reassigned to K2: bleeding")]
    assert theatre.case("K1").version == version + 1
    assert theatre.held("K1") == [("NAIL", "L2", "A", 1)]
    assert theatre.held("K2") == [("NAIL", "L1", "A", 1)]


def test_taking_over_needs_a_reason(theatre: Theatre) -> None:
    theatre.receive("NAIL", 1)
    for case in ("K1", "K2"):
        theatre.add_case(case)
    theatre.promise("K1", "NAIL")
    with pytest.raises(BadInput) as refused:
        theatre.promise("K2", "NAIL", take_over=True)
    assert refused.value.faults[0].pointer == "/reason"


def test_no_more_is_taken_over_than_is_needed_and_the_last_list_day_goes_first(
    theatre: Theatre,
) -> None:
    theatre.receive("NAIL", 2)
    for number in (1, 2):
        theatre.add_case(f"K{number}", day=next_day(number), theatre=f"T{number}")
        theatre.promise(f"K{number}", "NAIL")
    theatre.add_case("URGENT")
    done = theatre.promise("URGENT", "NAIL", take_over=True, reason="bleeding")
    assert done.reopened == ["K2"]
    assert theatre.held("K1") == [("NAIL", "L1", "A", 1)]


def test_a_case_that_has_two_promises_loses_both_and_is_named_once(theatre: Theatre) -> None:
    theatre.receive("NAIL", 2)
    theatre.add_case("K1")
    for _ in range(2):
        theatre.promise("K1", "NAIL")
    theatre.add_case("URGENT", theatre="T2")
    done = theatre.promise("URGENT", "NAIL", 2, take_over=True, reason="bleeding")
    assert done.reopened == ["K1"]
    assert len(theatre.events("K1")) == 1


def test_a_backup_of_an_earlier_day_is_not_in_the_way_and_not_taken(theatre: Theatre) -> None:
    """The pack is back unopened on the day after: promising it needs no take-over."""
    theatre.receive("CAP", 1)
    theatre.add_case("K1")
    theatre.plan("K1", PRIMARY, BACKUP)
    theatre.add_case("K2", day=next_day(1))
    theatre.promise("K2", "CAP")
    assert ("CAP", "L1", "A", 1) in theatre.held("K1")
    theatre.add_case("K3", day=next_day(2))
    done = theatre.promise("K3", "CAP", take_over=True, reason="bleeding")
    assert done.reopened == ["K2"]
    assert ("CAP", "L1", "A", 1) in theatre.held("K1")


def test_a_shared_backup_that_is_taken_over_is_lost_to_both_cases(theatre: Theatre) -> None:
    theatre.receive("CAP", 1)
    for case, hour in (("K1", 9), ("K2", 14)):
        theatre.add_case(case, hour=hour)
        theatre.plan(case, PRIMARY, BACKUP)
    theatre.add_case("URGENT", theatre="T2")
    done = theatre.promise("URGENT", "CAP", take_over=True, reason="bleeding")
    assert done.reopened == ["K1", "K2"]


def test_a_case_cannot_take_over_what_it_has_itself(theatre: Theatre) -> None:
    theatre.receive("NAIL", 1)
    theatre.add_case("K1")
    theatre.promise("K1", "NAIL")
    with pytest.raises(Conflict, match="already reserved for case"):
        theatre.promise("K1", "NAIL", take_over=True, reason="again")


def test_packs_on_a_tray_are_not_taken_over(theatre: Theatre) -> None:
    theatre.receive("NAIL", 1)
    for case in ("K1", "K2"):
        theatre.add_case(case)
    theatre.pick("K1", "NAIL", although="needed")
    with pytest.raises(BadInput):
        theatre.promise("K2", "NAIL", take_over=True, reason="urgent")


def test_a_set_is_promised_for_the_time_it_is_away_and_not_for_ever(theatre: Theatre) -> None:
    theatre.receive("SET", 1)
    for case, hour in (("K1", 8), ("K2", 12), ("K3", 13)):
        theatre.add_case(case, hour=hour)
    theatre.promise("K1", "SET")
    with pytest.raises(Taken, match="K1"):
        theatre.promise("K2", "SET")
    theatre.promise("K3", "SET")
    assert theatre.balance("SET") == (1, 0)


@pytest.mark.parametrize("end", ["cancelled", "closed"])
def test_nothing_is_kept_for_a_case_that_is_over(theatre: Theatre, end: str) -> None:
    theatre.receive("NAIL", 1)
    theatre.add_case("K1")
    if end == "cancelled":
        theatre.cancel("K1")
    else:
        theatre.status("K1", "prepared")
        theatre.status("K1", "closed")
    with pytest.raises(Conflict, match=end):
        theatre.promise("K1", "NAIL")
