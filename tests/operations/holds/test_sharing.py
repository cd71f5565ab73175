"""An unopened backup moves on to the next case of its list, if one is over when the other starts.

The small department of ``tests/small_theatre.py`` is counted by hand: one cap, two cases that keep
it as their backup. A case that ends at the moment the next one starts is over by then.
"""

import pytest

from tests.conftest import NOW
from tests.small_theatre import BACKUP, PRIMARY, Theatre, on_day

TODAY = NOW.date()


def planned(theatre: Theatre, first: int, second: int, **more: object) -> None:
    """Two cases of one list, each an hour long; nails and sets enough, and one cap."""
    for ref, quantity in (("NAIL", 4), ("CAP", 1)):
        theatre.receive(ref, quantity)
    for copy in ("S1", "S2"):
        theatre.receive("SET", 1, copy)
    for reference, hour in (("K1", first), ("K2", second)):
        theatre.add_case(reference, hour=hour, **more)  # type: ignore[arg-type] # the day
        theatre.plan(reference, PRIMARY, BACKUP)


@pytest.mark.parametrize(
    ("second", "state"),
    [(14, "covered"), (10, "covered"), (9, "not covered")],
    ids=["after it", "when it ends", "at the same time"],
)
def test_two_cases_of_a_list_share_a_backup_unless_they_overlap(
    theatre: Theatre, second: int, state: str
) -> None:
    planned(theatre, 9, second)
    assert theatre.states("K1")[1] == "covered"
    assert theatre.states("K2")[1] == state
    assert theatre.shared("K2") == ({"CAP"} if state == "covered" else set())


def test_of_three_cases_only_those_that_come_one_after_the_other_share(theatre: Theatre) -> None:
    """K3 starts at nine like K1, so it has no part in what K1 and K2 hand on."""
    planned(theatre, 9, 14)
    theatre.receive("SET", 1, "S3")
    theatre.add_case("K3", hour=9)
    theatre.plan("K3", PRIMARY, BACKUP)
    assert [theatre.states(one)[1] for one in ("K1", "K2")] == ["covered", "covered"]
    assert theatre.states("K3")[1] == "not covered"
    (gap,) = theatre.check("K3").constructs[1].gaps
    assert gap.because == "promised"
    assert "K1" in gap.sentence


def test_a_case_moved_into_the_time_of_another_no_longer_shares_with_it(theatre: Theatre) -> None:
    planned(theatre, 9, 14)
    theatre.confirm("K1")
    theatre.confirm("K2")
    theatre.change_case("K2", hour=9)
    assert [theatre.states(one)[1] for one in ("K1", "K2")] == ["covered", "not covered"]
    assert (theatre.reopened("K1"), "reserved for K1" in theatre.reopened("K2")) == ("", True)


def test_a_case_still_open_after_its_planned_end_keeps_the_backup_on_its_tray(
    theatre: Theatre,
) -> None:
    planned(theatre, 9, 14, day=TODAY)
    theatre.confirm("K2")
    for ref in ("NAIL", "CAP"):
        theatre.pick("K1", ref)
    theatre.pick("K1", "SET", lot="S1")
    theatre.status("K1", "in_theatre")
    theatre.wait_until(on_day(TODAY, 10))
    assert theatre.states("K2")[1] == "covered if", "it lies on the tray of K1 until that is over"
    theatre.wait_until(on_day(TODAY, 11))
    check = theatre.check("K2")
    assert check.constructs[1].state == "not covered"
    (gap,) = check.constructs[1].gaps
    assert gap.because == "promised"
    assert gap.sentence.endswith(
        "the last one is reserved for K1 (still open after its planned end)."
    )
    assert check.confirmation is not None
    assert not check.confirmation.in_force
    assert gap.sentence in check.confirmation.changed


def test_what_comes_back_unopened_from_an_overrun_is_the_next_cases_again(
    theatre: Theatre,
) -> None:
    planned(theatre, 9, 14, day=TODAY)
    theatre.pick("K1", "CAP")
    theatre.wait_until(on_day(TODAY, 11))
    assert theatre.states("K2")[1] == "not covered"
    theatre.settle("K1", "CAP", "return")
    theatre.status("K1", "closed")
    assert theatre.states("K2")[1] == "covered"


def test_what_an_overrunning_case_has_not_brought_is_not_for_the_next_case_either(
    theatre: Theatre,
) -> None:
    """Nobody knows when it is over, and its backup may be fetched at any moment."""
    planned(theatre, 9, 14, day=TODAY)
    theatre.pick("K1", "NAIL")
    theatre.status("K1", "in_theatre")
    theatre.wait_until(on_day(TODAY, 11))
    assert theatre.states("K2")[1] == "not covered"


def test_a_second_pack_covers_the_case_after_an_overrun(theatre: Theatre) -> None:
    planned(theatre, 9, 14, day=TODAY)
    theatre.pick("K1", "CAP")
    theatre.receive("CAP", 1, "L2")
    theatre.wait_until(on_day(TODAY, 11))
    assert theatre.states("K2")[1] == "covered"
    lines = theatre.check("K2").constructs[1].lines
    assert [pick.lot for pick in lines[0].picks] == ["L2"]
