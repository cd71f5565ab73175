"""What only stands by for one case goes to another that is planned with it; who loses is told.

The small department of ``tests/small_theatre.py`` is counted by hand.
"""

from tests.small_theatre import BACKUP, PRIMARY, Theatre, next_day


def two_cases(theatre: Theatre) -> None:
    """One end cap: it stands by for K1, and K2 in the other theatre is planned with one."""
    theatre.receive("NAIL", 1)
    theatre.receive("CAP", 1)
    theatre.receive("SET", 1)
    theatre.add_case("K1", theatre="T1", hour=9)
    theatre.plan("K1", PRIMARY, BACKUP)
    theatre.add_case("K2", theatre="T2", hour=11)


def test_what_stands_by_goes_to_the_case_that_is_planned_with_it(theatre: Theatre) -> None:
    two_cases(theatre)
    assert theatre.states("K1") == ["covered", "covered"]
    theatre.plan("K2", BACKUP)
    assert theatre.held("K2") == [("CAP", "L1", "A", 1)]
    assert theatre.states("K2") == ["covered"]
    assert theatre.states("K1") == ["covered", "not covered"]
    assert theatre.balance("CAP") == (1, 1)


def test_the_case_that_loses_what_stands_by_is_told_and_its_confirmation_reopens(
    theatre: Theatre,
) -> None:
    two_cases(theatre)
    theatre.confirm("K1")
    theatre.plan("K2", BACKUP)
    assert theatre.events("K1")[-1] == ("lost a pack", "now reserved for K2")
    assert "end cap" in theatre.reopened("K1")


def test_what_lies_on_a_tray_is_not_let_go(theatre: Theatre) -> None:
    two_cases(theatre)
    theatre.pick("K1", "CAP")
    theatre.plan("K2", BACKUP)
    assert theatre.held("K2") == []
    assert theatre.states("K1") == ["covered", "covered"]


def test_what_one_case_is_planned_with_stays_with_it_though_an_earlier_one_asks(
    theatre: Theatre,
) -> None:
    theatre.receive("CAP", 1)
    theatre.add_case("K1", hour=11)
    theatre.plan("K1", BACKUP)
    theatre.add_case("K0", hour=9, theatre="T2")
    theatre.plan("K0", BACKUP)
    assert (theatre.held("K0"), len(theatre.held("K1"))) == ([], 1)
    assert not theatre.events("K1")


def test_nothing_is_let_go_where_it_helps_nobody(theatre: Theatre) -> None:
    # The cap of K2's own day is on a tray; what stands by a day earlier is back by then.
    theatre.receive("CAP", 1)
    theatre.add_case("K1")
    theatre.plan("K1", PRIMARY, BACKUP)
    theatre.add_case("K2", day=next_day())
    theatre.plan("K2", BACKUP)
    assert (len(theatre.held("K1")), len(theatre.held("K2"))) == (1, 1)
    theatre.add_case("K3", day=next_day(), theatre="T2", hour=14)
    theatre.plan("K3", BACKUP)
    assert (len(theatre.held("K1")), len(theatre.held("K2")), theatre.held("K3")) == (1, 1, [])
    assert not theatre.events("K1")
