"""What plans hold: the pack that expires first, never one pack twice, and nothing lost on the way.

The small department of ``tests/small_theatre.py`` is counted by hand.
"""

from datetime import date

import pytest

from service.errors import Stale
from service.operations.cover.check import check_case
from service.operations.holds.holds import hold_cases
from service.operations.imports import import_file
from service.operations.planner import planner_of
from service.operations.work import Unit
from tests.small_theatre import BACKUP, FIRST_DAY, OTHER_SHELF, PRIMARY, SHELF, Theatre, next_day


def state_of(theatre: Theatre, case: str) -> list[tuple[str, str]]:
    """Give construct by construct whether a case is covered, as its page says it."""
    found = theatre.work.read(lambda unit: check_case(unit, case))
    return [(one.planned, one.state) for one in found.constructs]


def test_a_plan_holds_what_it_asks_for_from_the_lot_that_expires_first(theatre: Theatre) -> None:
    theatre.receive("NAIL", 1, "LATE", use_by=date(2035, 1, 1))
    theatre.receive("NAIL", 1, "EARLY", use_by=date(2031, 6, 1))
    theatre.receive("NAIL", 1, "TOO-EARLY", use_by=date(2031, 3, 3))
    theatre.add_case("K1")
    theatre.plan("K1")
    assert theatre.held("K1") == [("NAIL", "EARLY", "A", 1)]


def test_planning_again_releases_the_old_with_a_reason_and_doubles_nothing(
    theatre: Theatre,
) -> None:
    theatre.receive("NAIL", 2)
    theatre.receive("CAP", 1)
    theatre.add_case("K1")
    theatre.plan("K1", PRIMARY)
    theatre.plan("K1", BACKUP)
    assert theatre.held("K1") == [("CAP", "L1", "A", 1)]
    released = [hold for hold in theatre.all_holds() if hold.released_at is not None]
    assert [hold.released_why for hold in released] == ["planned again"]
    assert theatre.balance("NAIL") == (2, 0)


def test_a_plan_that_is_refused_leaves_the_old_holds(theatre: Theatre) -> None:
    theatre.receive("NAIL", 1)
    theatre.add_case("K1")
    theatre.plan("K1")
    before = theatre.all_holds()

    def fails(unit: Unit) -> None:
        hold_cases(unit, ["K1"])
        raise Stale("someone was quicker")

    with pytest.raises(Stale):
        theatre.work.write(fails)
    assert theatre.all_holds() == before


def test_two_cases_never_hold_the_same_first_use(theatre: Theatre) -> None:
    theatre.receive("NAIL", 1)
    for case, hour in (("K1", 9), ("K2", 14)):
        theatre.add_case(case, hour=hour)
        theatre.plan(case)
    assert theatre.held("K1") == [("NAIL", "L1", "A", 1)]
    assert theatre.held("K2") == []
    assert state_of(theatre, "K2")[0][1] != "covered"


def test_one_unopened_backup_serves_two_cases_of_one_list_and_counts_once(
    theatre: Theatre,
) -> None:
    theatre.receive("NAIL", 2)
    theatre.receive("CAP", 1)
    theatre.receive("SET", 1)
    for case, hour in (("K1", 9), ("K2", 14)):
        theatre.add_case(case, hour=hour)
        theatre.plan(case, PRIMARY, BACKUP)
    assert (theatre.shared("K1"), theatre.shared("K2")) == ({"CAP"}, {"CAP"})
    assert theatre.balance("CAP") == (1, 1)
    assert state_of(theatre, "K1") == [(PRIMARY, "covered"), (BACKUP, "covered")]
    # The one set has to come back first; the cap lies ready for both.
    assert state_of(theatre, "K2") == [(PRIMARY, "covered if"), (BACKUP, "covered")]
    rows = theatre.work.read(lambda unit: check_case(unit, "K2")).pick_list
    assert [row.shared_with for row in rows if row.ref == "CAP"] == [["K1"]]


def test_in_another_theatre_the_one_backup_is_a_gap(theatre: Theatre) -> None:
    theatre.receive("NAIL", 2)
    theatre.receive("CAP", 1)
    theatre.receive("SET", 2)
    for case, room in (("K1", "T1"), ("K2", "T2")):
        theatre.add_case(case, theatre=room)
        theatre.plan(case, PRIMARY, BACKUP)
    assert state_of(theatre, "K1") == [(PRIMARY, "covered"), (BACKUP, "covered")]
    assert state_of(theatre, "K2") == [(PRIMARY, "covered"), (BACKUP, "not covered")]
    assert theatre.shared("K1") == set()


@pytest.mark.parametrize("again", ["K1", "K2"])
def test_planning_one_of_two_again_keeps_the_backup_shared(theatre: Theatre, again: str) -> None:
    theatre.receive("CAP", 1)
    for case, hour in (("K1", 9), ("K2", 14)):
        theatre.add_case(case, hour=hour)
        theatre.plan(case, PRIMARY, BACKUP)
    theatre.plan(again, PRIMARY, BACKUP)
    assert (theatre.shared("K1"), theatre.shared("K2")) == ({"CAP"}, {"CAP"})
    assert theatre.balance("CAP") == (1, 1)


def test_a_backup_is_back_for_the_next_day(theatre: Theatre) -> None:
    theatre.receive("CAP", 1)
    for number in (0, 1):
        theatre.add_case(f"K{number}", day=next_day(number), theatre=f"T{number}")
        theatre.plan(f"K{number}", PRIMARY, BACKUP)
        assert ("CAP", "L1", "A", 1) in theatre.held(f"K{number}")
    assert theatre.balance("CAP") == (1, 1)


def test_a_set_is_not_held_for_a_case_that_starts_in_its_turnaround(theatre: Theatre) -> None:
    """From 9:00 to 10:00, then 240 minutes away: back at 14:00 and not before."""
    theatre.receive("SET", 1)
    theatre.receive("NAIL", 3)
    for case, hour in (("K1", 9), ("K2", 13), ("K3", 14)):
        theatre.add_case(case, hour=hour)
        theatre.plan(case)
    sets = {case for case in ("K1", "K2", "K3") if ("SET", "L1", "A", 1) in theatre.held(case)}
    assert sets == {"K1", "K3"}


def test_cancelling_a_case_gives_its_packs_to_who_asks_next(theatre: Theatre) -> None:
    theatre.receive("NAIL", 1)
    for case, hour in (("K1", 9), ("K2", 14)):
        theatre.add_case(case, hour=hour)
        theatre.plan(case)
    theatre.cancel("K1")
    assert theatre.held("K1") == []
    assert theatre.balance("NAIL") == (1, 0)
    theatre.plan("K2")
    assert theatre.held("K2") == [("NAIL", "L1", "A", 1)]
    whys = {hold.released_why for hold in theatre.all_holds() if hold.released_at}
    assert "the case was cancelled" in whys


def test_a_case_that_moves_to_another_day_holds_for_that_day(theatre: Theatre) -> None:
    theatre.receive("NAIL", 1, use_by=FIRST_DAY)
    theatre.receive("NAIL", 1, "L2")
    theatre.add_case("K1")
    theatre.plan("K1")
    assert theatre.held("K1") == [("NAIL", "L1", "A", 1)]
    theatre.change_case("K1", day=next_day(3))
    assert theatre.held("K1") == [("NAIL", "L2", "A", 1)]
    (hold,) = [hold for hold in theatre.all_holds() if hold.released_at is None]
    assert hold.list_date == next_day(3)


def test_who_goes_first_on_the_list_has_what_it_holds_whatever_the_order_becomes(
    theatre: Theatre,
) -> None:
    """Changing the order takes nothing away from a case behind its back."""
    theatre.receive("NAIL", 1)
    for case, hour in (("K1", 9), ("K2", 11)):
        theatre.add_case(case, hour=hour)
        theatre.plan(case)
    theatre.change_case("K1", hour=15)
    assert theatre.held("K1") == [("NAIL", "L1", "A", 1)]
    assert theatre.held("K2") == []


def test_what_was_promised_by_hand_survives_planning_again(theatre: Theatre) -> None:
    theatre.receive("CAP", 1)
    theatre.receive("NAIL", 2)
    theatre.add_case("K1")
    theatre.promise("K1", "CAP")
    theatre.plan("K1")
    theatre.plan("K1")
    assert theatre.held("K1") == [("CAP", "L1", "A", 1), ("NAIL", "L1", "A", 1)]


def test_a_plan_uses_what_was_promised_by_hand_before_it_holds_more(theatre: Theatre) -> None:
    theatre.receive("NAIL", 1, "L2", use_by=date(2035, 1, 1))
    theatre.receive("NAIL", 1, "L1")
    theatre.add_case("K1")
    theatre.promise("K1", "NAIL", lot="L2")
    theatre.plan("K1")
    assert theatre.held("K1") == [("NAIL", "L2", "A", 1)]


def test_a_promise_by_hand_goes_along_to_another_day_when_it_can(theatre: Theatre) -> None:
    theatre.receive("NAIL", 1)
    theatre.add_case("K1")
    theatre.promise("K1", "NAIL")
    theatre.change_case("K1", day=next_day(2))
    (hold,) = [hold for hold in theatre.all_holds() if hold.released_at is None]
    assert hold.list_date == next_day(2)


def test_a_promise_by_hand_yields_where_the_units_are_others_on_the_new_day(
    theatre: Theatre,
) -> None:
    theatre.receive("CAP", 1)
    theatre.add_case("K1", day=next_day(2))
    theatre.plan("K1", PRIMARY, BACKUP)
    theatre.add_case("K2", day=next_day(3), theatre="T2")
    theatre.promise("K2", "CAP")
    theatre.change_case("K2", day=next_day(2), theatre="T2")
    assert theatre.held("K2") == []
    assert ("CAP", "L1", "A", 1) in theatre.held("K1")
    assert theatre.events("K2")[0][0] == "lost a pack"


def test_a_list_that_is_imported_again_holds_once(theatre: Theatre) -> None:
    theatre.receive("NAIL", 3)
    rows = (
        "list_date,theatre,starts,ends,case_reference,position,side,primary\n"
        f"{FIRST_DAY},T1,09:00,10:00,K1,1,left,{PRIMARY}\n"
    )
    for end in ("10:00", "11:00"):
        bring_list(theatre, rows.replace("10:00", end))
    assert theatre.held("K1") == [("NAIL", "L1", "A", 1)]
    assert theatre.balance("NAIL") == (3, 1)


def bring_list(theatre: Theatre, rows: str) -> None:
    theatre.work.write(
        lambda unit: import_file(unit, "lists", rows.encode(), "l.csv", take_good_rows=False)
    )


def test_units_on_another_shelf_serve_as_well(theatre: Theatre) -> None:
    theatre.receive("NAIL", 1, to=OTHER_SHELF)
    theatre.add_case("K1")
    theatre.plan("K1")
    assert theatre.held("K1") == [("NAIL", "L1", "B", 1)]


def test_what_is_held_is_what_the_planner_sees(theatre: Theatre) -> None:
    theatre.receive("NAIL", 1)
    theatre.receive("SET", 1)
    theatre.add_case("K1")
    theatre.plan("K1")
    claims = theatre.work.read(lambda unit: planner_of(unit).claims)
    assert {(claim.case, claim.quantity, claim.stays, claim.is_set) for claim in claims} == {
        ("K1", 1, True, False),
        ("K1", 1, False, True),
    }


def test_an_instrument_set_follows_to_the_shelf_it_is_moved_to(theatre: Theatre) -> None:
    theatre.receive("SET", 2)
    for case, hour in (("K1", 9), ("K2", 10)):
        theatre.add_case(case, hour=hour)
        theatre.plan(case)
    theatre.record("move", "SET", lot="L1", quantity=1, origin=SHELF, to=OTHER_SHELF)
    shelves = {theatre.held("K1")[0][2], theatre.held("K2")[0][2]}
    assert shelves == {"A", "B"}
