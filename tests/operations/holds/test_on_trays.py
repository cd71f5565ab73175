"""What lies on a tray is held as the plan counts on it, and nobody waits for it without need.

The small department of ``tests/small_theatre.py`` is counted by hand.
"""

from datetime import datetime

from tests.conftest import NOW
from tests.small_theatre import BACKUP, PRIMARY, Theatre, next_day, on_day

TODAY = NOW.date()


def _packs(theatre: Theatre) -> list[tuple[int, bool, int]]:
    """Give the holds in force on packs of the trays: whose, whether for good, and how many."""
    rows = [one for one in theatre.all_holds() if one.released_at is None and one.role == "tray"]
    return sorted((one.case_id, one.stays, one.quantity) for one in rows if not one.is_set)


def _sets(theatre: Theatre) -> list[tuple[int, bool, datetime]]:
    """Give the holds in force on sets: whose, whether it opens it, and until when."""
    rows = [one for one in theatre.all_holds() if one.released_at is None and one.is_set]
    return sorted((one.case_id, one.is_opened, one.until_at) for one in rows)


def _stocked(theatre: Theatre) -> None:
    theatre.receive("NAIL", 2)
    theatre.receive("CAP", 2)
    theatre.receive("SET", 1)


def test_a_set_on_a_tray_is_away_as_long_as_its_plan_has_it_away(theatre: Theatre) -> None:
    _stocked(theatre)
    theatre.add_case("K1", day=TODAY, hour=9)
    theatre.plan("K1", BACKUP, PRIMARY)
    theatre.pick("K1", "SET")
    assert _sets(theatre) == [(1, False, on_day(TODAY, 10))]
    theatre.plan("K1", PRIMARY)
    # 240 minutes after its end; tests/small_theatre.py says so.
    assert _sets(theatre) == [(1, True, on_day(TODAY, 14))]
    theatre.plan("K1", BACKUP, PRIMARY)
    assert _sets(theatre) == [(1, False, on_day(TODAY, 10))]
    theatre.status("K1", "in_theatre")
    theatre.plan("K1", PRIMARY)
    theatre.plan("K1", BACKUP, PRIMARY)
    # It has begun: the set may have been opened in between.
    assert _sets(theatre) == [(1, True, on_day(TODAY, 14))]


def test_of_the_packs_of_one_lot_on_a_tray_as_many_are_gone_as_are_planned(
    theatre: Theatre,
) -> None:
    _stocked(theatre)
    theatre.add_case("K1", day=TODAY)
    theatre.plan("K1", PRIMARY, BACKUP)
    theatre.pick("K1", "NAIL")
    theatre.pick("K1", "CAP", 2)
    # One cap was held to stand by; the other nobody planned, it was brought to be used.
    assert _packs(theatre) == [(1, False, 1), (1, True, 1), (1, True, 1)]
    theatre.plan("K1", BACKUP, PRIMARY)
    assert theatre.states("K1") == ["covered", "covered"]
    found = _packs(theatre)
    assert sum(number for _, for_good, number in found if not for_good) == 2
    assert sum(number for _, for_good, number in found if for_good) == 1


def test_a_backup_that_is_planned_now_is_promised_for_good(theatre: Theatre) -> None:
    _stocked(theatre)
    theatre.add_case("K1", day=TODAY)
    theatre.plan("K1", BACKUP, PRIMARY)
    theatre.pick("K1", "NAIL")
    theatre.add_case("K2", day=next_day())
    theatre.plan("K2", PRIMARY)
    theatre.plan("K1", PRIMARY)
    assert _packs(theatre) == [(1, True, 1)]
    assert theatre.balance("NAIL", "K1") == (1, 1)
    assert theatre.events("K2") == []
    assert ("NAIL", "L1", "A", 1) in theatre.held("K2")


def test_who_waited_for_another_tray_holds_the_free_pack_and_nothing_twice(
    theatre: Theatre,
) -> None:
    theatre.receive("NAIL", 1)
    theatre.receive("SET", 1)
    theatre.receive("CAP", 1)
    theatre.add_case("K1", day=TODAY)
    theatre.plan("K1", PRIMARY, BACKUP)
    theatre.add_case("K2", day=next_day())
    theatre.plan("K2", BACKUP)
    theatre.receive("CAP", 1, "L2")
    theatre.pick("K1", "CAP")
    assert theatre.held("K2") == [("CAP", "L2", "A", 1)]
    assert (theatre.balance("CAP", "K1"), theatre.balance("CAP", lot="L2")) == ((1, 1), (1, 1))
    assert theatre.events("K2") == []


def test_what_waits_for_another_tray_is_still_promised_when_it_is_planned_again(
    theatre: Theatre,
) -> None:
    theatre.receive("CAP", 1)
    theatre.receive("NAIL", 1)
    theatre.receive("SET", 1)
    theatre.add_case("K1", day=TODAY)
    theatre.plan("K1", PRIMARY, BACKUP)
    theatre.add_case("K2", day=next_day())
    theatre.plan("K2", BACKUP)
    theatre.pick("K1", "CAP")
    theatre.plan("K2", BACKUP)
    assert theatre.held("K2") == [("CAP", "L1", "K1", 1)]
    theatre.change_case("K2", day=next_day(2))
    # For another day it would have to be promised anew, and nothing is promised from a tray.
    assert theatre.held("K2") == []
