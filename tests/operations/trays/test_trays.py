"""The tray of a case: packs brought, used, wasted and back, and what that means for other cases.

The small department of ``tests/small_theatre.py`` is counted by hand.
"""

from datetime import date, timedelta
from typing import Any

import pytest

from service.errors import BadInput, Conflict, Taken
from service.operations.cover.check import check_case, check_day
from service.operations.readiness import day_readiness
from service.operations.recalls.start import start_recall
from service.operations.trays.trays import implant_log
from service.schemas.recalls import RecallBody
from tests.conftest import NOW
from tests.small_theatre import BACKUP, FIRST_DAY, PRIMARY, SHELF, Theatre, next_day, on_day


def stocked(theatre: Theatre, *, nails: int = 2, caps: int = 1, sets: int = 1) -> None:
    for ref, quantity in (("NAIL", nails), ("CAP", caps), ("SET", sets)):
        if quantity:
            theatre.receive(ref, quantity)


def two_cases(theatre: Theatre, second: int = 14, day: date = FIRST_DAY) -> None:
    for case, hour in (("K1", 9), ("K2", second)):
        theatre.add_case(case, hour=hour, day=day)
        theatre.plan(case, PRIMARY, BACKUP)


def test_a_picked_pack_goes_to_the_tray_with_its_hold_and_prepares_the_case(
    theatre: Theatre,
) -> None:
    stocked(theatre)
    two_cases(theatre)
    tray = theatre.pick("K1", "NAIL")
    assert (tray.status, tray.unaccounted) == ("prepared", 1)
    assert ("NAIL", "L1", "K1", 1) in theatre.held("K1")
    assert theatre.balance("NAIL") == (1, 1)
    assert theatre.balance("NAIL", "K1") == (1, 1)


def test_a_pack_nobody_planned_is_brought_only_with_a_reason(theatre: Theatre) -> None:
    stocked(theatre)
    theatre.add_case("K1")
    theatre.plan("K1", PRIMARY)
    with pytest.raises(BadInput) as refused:
        theatre.pick("K1", "CAP")
    assert refused.value.faults[0].pointer == "/ref"
    theatre.pick("K1", "CAP", although="the surgeon asks for it")
    assert theatre.lines()[-1].reason == "the surgeon asks for it"
    assert ("CAP", "L1", "K1", 1) in theatre.held("K1")


def test_another_cases_pack_is_refused_and_the_case_is_named(theatre: Theatre) -> None:
    stocked(theatre, nails=1)
    two_cases(theatre)
    with pytest.raises(Taken, match="K1"):
        theatre.pick("K2", "NAIL", although="it is here")


def test_an_own_pack_does_not_bring_another_cases_along(theatre: Theatre) -> None:
    """Two asked for, one its own, the other promised: nothing is brought."""
    stocked(theatre)
    two_cases(theatre)
    with pytest.raises(Taken, match="K2"):
        theatre.pick("K1", "NAIL", 2)


def test_another_cases_instrument_set_is_refused_while_that_case_needs_it(
    theatre: Theatre,
) -> None:
    stocked(theatre)
    two_cases(theatre, second=11)
    with pytest.raises(Taken, match="K1"):
        theatre.pick("K2", "SET", although="it is here")


def test_a_set_brought_without_a_plan_is_away_for_everybody_else(theatre: Theatre) -> None:
    stocked(theatre)
    for case, hour in (("K1", 9), ("K2", 11)):
        theatre.add_case(case, hour=hour)
    theatre.pick("K1", "SET", although="asked for")
    theatre.plan("K2")
    assert "SET" not in {one[0] for one in theatre.held("K2")}
    found = theatre.work.read(lambda unit: check_case(unit, "K2"))
    assert [gap.because for gap in found.constructs[0].gaps] == ["instrument_set_in_use"]


@pytest.mark.parametrize(
    ("lot", "says"),
    [
        ({"use_by": FIRST_DAY - timedelta(days=1)}, "use-by date"),
        ({"sterility": "unsterile"}, "not sterile"),
        ({"ownership": "loan", "return_by": FIRST_DAY}, "due back"),
    ],
)
def test_a_pack_that_must_not_be_used_is_neither_brought_nor_promised(
    theatre: Theatre, lot: dict[str, Any], says: str
) -> None:
    theatre.receive("NAIL", 1, **lot)
    theatre.add_case("K1")
    owner: dict[str, Any] = {"ownership": str(lot.get("ownership", "owned"))}
    with pytest.raises(BadInput) as refused:
        theatre.pick("K1", "NAIL", although="needed", **owner)
    assert says in refused.value.faults[0].reason
    with pytest.raises(BadInput) as refused:
        theatre.promise("K1", "NAIL", **owner)
    assert says in refused.value.faults[0].reason


def test_a_recalled_pack_is_not_brought(theatre: Theatre) -> None:
    stocked(theatre)
    theatre.add_case("K1")
    recall = RecallBody.model_validate(
        {"notice": "N-1", "ref": "NAIL", "lot": "L1", "reason": "cracks", "quarantine": False}
    )
    theatre.work.write(lambda unit: start_recall(unit, recall))
    with pytest.raises(BadInput) as refused:
        theatre.pick("K1", "NAIL", although="needed")
    assert "recalled" in refused.value.faults[0].reason


def test_what_is_in_quarantine_or_on_a_tray_already_is_left_there(theatre: Theatre) -> None:
    stocked(theatre, nails=1)
    theatre.add_case("K1")
    theatre.add_case("K2", hour=14)
    theatre.pick("K1", "NAIL", although="needed")
    with pytest.raises(BadInput) as refused:
        theatre.pick("K2", "NAIL", although="needed")
    assert "tray" in refused.value.faults[0].reason
    theatre.settle("K1", "NAIL", "return")
    theatre.record("quarantine", lot="L1", quantity=1, origin=SHELF, reason="dented")
    with pytest.raises(BadInput) as refused:
        theatre.pick("K2", "NAIL", although="needed")
    assert "quarantine" in refused.value.faults[0].reason


def test_a_case_is_closed_when_every_pack_is_accounted_for_and_not_before(
    theatre: Theatre,
) -> None:
    stocked(theatre)
    two_cases(theatre)
    for ref in ("NAIL", "CAP", "SET"):
        theatre.pick("K1", ref)
    theatre.status("K1", "in_theatre")
    for ref, fate in (("NAIL", "implant"), ("CAP", "return"), ("SET", "return")):
        with pytest.raises(Conflict, match="not accounted for") as refused:
            theatre.status("K1", "closed")
        assert ref in refused.value.detail
        theatre.settle("K1", ref, fate)
    assert theatre.status("K1", "closed").status == "closed"
    assert theatre.balance("NAIL") == (1, 1)
    assert theatre.balance("CAP") == (1, 1)


def test_a_case_goes_its_steps_in_order(theatre: Theatre) -> None:
    theatre.add_case("K1")
    for wrong in ("in_theatre", "closed"):
        with pytest.raises(Conflict, match="cannot be set to"):
            theatre.status("K1", wrong)
    for step in ("prepared", "in_theatre", "closed"):
        assert theatre.status("K1", step).status == step
    with pytest.raises(Conflict, match="cannot be set to"):
        theatre.status("K1", "prepared")


def test_waste_needs_a_reason_and_a_set_is_not_implanted(theatre: Theatre) -> None:
    stocked(theatre)
    two_cases(theatre)
    theatre.pick("K1", "NAIL")
    theatre.pick("K1", "SET")
    with pytest.raises(BadInput) as refused:
        theatre.settle("K1", "NAIL", "waste")
    assert refused.value.faults[0].pointer == "/reason"
    with pytest.raises(BadInput) as refused:
        theatre.settle("K1", "SET", "implant")
    assert refused.value.faults[0].pointer == "/fate"
    theatre.settle("K1", "NAIL", "waste", reason="dropped")
    assert theatre.lines()[-1].reason == "dropped"


def test_more_than_was_brought_is_not_settled(theatre: Theatre) -> None:
    stocked(theatre)
    two_cases(theatre)
    theatre.pick("K1", "NAIL")
    with pytest.raises(BadInput) as refused:
        theatre.settle("K1", "NAIL", "implant", 2)
    assert refused.value.faults[0].reason == "only 1 of this pack are left to account for"
    theatre.settle("K1", "NAIL", "implant")
    with pytest.raises(BadInput, match="saved"):
        theatre.settle("K1", "NAIL", "return")


def test_a_set_that_is_sent_late_stays_away_for_its_whole_turnaround(
    theatre: Theatre,
) -> None:
    """Planned until 10:00; sent at 13:00, and 240 minutes later it is 17:00: too late for 14:00."""
    stocked(theatre)
    two_cases(theatre)
    theatre.pick("K1", "SET")
    assert ("SET", "L1", "K1", 1) in theatre.held("K2")
    theatre.work.clock = lambda: on_day(FIRST_DAY, 13)
    theatre.settle("K1", "SET", "reprocess")
    theatre.status("K1", "closed")
    assert "SET" not in {one[0] for one in theatre.held("K2")}
    assert "opened in case K1" in theatre.events("K2")[0][1]
    found = theatre.work.read(lambda unit: check_case(unit, "K2"))
    assert [gap.because for gap in found.constructs[0].gaps] == ["instrument_set_in_use"]
    theatre.work.clock = lambda: NOW


def test_an_opened_set_is_away_until_its_turnaround_ends_even_after_the_case_is_closed(
    theatre: Theatre,
) -> None:
    """Opened and sent at 7:00: 240 minutes later it is 11:00."""
    stocked(theatre)
    two_cases(theatre, second=12, day=NOW.date())
    theatre.pick("K1", "SET")
    theatre.settle("K1", "SET", "reprocess")
    theatre.status("K1", "closed")
    theatre.change_case("K2", hour=10, day=NOW.date())
    assert "SET" not in {one[0] for one in theatre.held("K2")}
    theatre.change_case("K2", hour=12, day=NOW.date())
    assert "SET" in {one[0] for one in theatre.held("K2")}
    assert theatre.work.read(lambda unit: check_case(unit, "K2")).state == "covered if"


def test_the_order_of_a_list_knows_when_a_set_comes_back_and_from_whom(theatre: Theatre) -> None:
    """Sent at 7:00 by a case that is closed, the only copy is back at 11:00."""
    stocked(theatre)
    two_cases(theatre, second=10, day=NOW.date())
    theatre.pick("K1", "SET")
    theatre.settle("K1", "SET", "reprocess")
    theatre.status("K1", "closed")
    found = theatre.work.read(lambda unit: day_readiness(unit, NOW.date(), samples=100))
    assert [clash for one in found.orders for clash in one.clashes] == [
        "K2 starts at 10:00; the only copy of SET is with K1 and back at 11:00."
    ]
    theatre.change_case("K2", hour=11, day=NOW.date())
    found = theatre.work.read(lambda unit: day_readiness(unit, NOW.date(), samples=100))
    assert [clash for one in found.orders for clash in one.clashes] == []


def test_a_set_that_is_away_is_not_brought_to_another_tray(theatre: Theatre) -> None:
    stocked(theatre)
    two_cases(theatre, second=12, day=NOW.date())
    theatre.pick("K1", "SET")
    with pytest.raises(BadInput) as refused:
        theatre.pick("K2", "SET", although="to hand")
    assert refused.value.faults[0].reason == "it is with case K1: leave it"
    theatre.settle("K1", "SET", "reprocess")
    with pytest.raises(BadInput) as refused:
        theatre.pick("K2", "SET", although="to hand")
    assert "scan it out of sterilisation first" in refused.value.faults[0].reason


def test_an_opened_backup_tells_the_case_that_counted_on_it_and_looks_for_another(
    theatre: Theatre,
) -> None:
    stocked(theatre)
    two_cases(theatre)
    version = theatre.case("K2").version
    theatre.pick("K1", "CAP")
    theatre.receive("CAP", 1, "L2")
    assert ("CAP", "L1", "K1", 1) in theatre.held("K2")
    theatre.settle("K1", "CAP", "implant")
    assert ("CAP", "L2", "A", 1) in theatre.held("K2")
    ((kind, says),) = theatre.events("K2")
    assert kind == "lost a pack"
    assert "opened in case K1" in says
    assert theatre.case("K2").version == version + 1


def test_an_unopened_backup_goes_back_with_what_others_count_on(theatre: Theatre) -> None:
    stocked(theatre)
    two_cases(theatre)
    theatre.pick("K1", "CAP")
    theatre.settle("K1", "CAP", "return")
    assert ("CAP", "L1", "A", 1) in theatre.held("K2")
    assert theatre.events("K2") == []


def test_an_implanted_pack_fills_its_line_so_nothing_more_is_claimed_for_it(
    theatre: Theatre,
) -> None:
    stocked(theatre, caps=0)
    for case, hour in (("K1", 9), ("K2", 14)):
        theatre.add_case(case, hour=hour)
    theatre.plan("K1")
    theatre.pick("K1", "NAIL")
    theatre.pick("K1", "SET")
    theatre.settle("K1", "NAIL", "implant")
    theatre.plan("K2")
    day = theatre.work.read(lambda unit: check_day(unit, FIRST_DAY))
    assert [case.state for case in day.lists[0].cases] == ["covered", "covered if"]
    assert theatre.balance("NAIL") == (1, 1)


def test_a_closed_case_asks_for_nothing(theatre: Theatre) -> None:
    stocked(theatre, nails=1, caps=0)
    theatre.add_case("K1")
    theatre.plan("K1")
    theatre.status("K1", "prepared")
    theatre.status("K1", "closed")
    theatre.add_case("K2", hour=14)
    theatre.plan("K2")
    day = theatre.work.read(lambda unit: check_day(unit, FIRST_DAY))
    first, second = day.lists[0].cases
    assert "closed" in first.says.lower()
    assert second.state == "covered"


def test_a_cancelled_case_gives_back_what_is_on_its_tray(theatre: Theatre) -> None:
    stocked(theatre)
    two_cases(theatre)
    theatre.pick("K1", "NAIL")
    theatre.cancel("K1")
    with pytest.raises(Conflict, match="cancelled"):
        theatre.settle("K1", "NAIL", "implant")
    theatre.settle("K1", "NAIL", "return")
    assert theatre.tray("K1").unaccounted == 0
    assert theatre.balance("NAIL") == (2, 1)


def test_a_tray_goes_along_to_another_theatre_and_day(theatre: Theatre) -> None:
    stocked(theatre)
    theatre.add_case("K1")
    theatre.plan("K1")
    for ref in ("NAIL", "SET"):
        theatre.pick("K1", ref)
    theatre.change_case("K1", day=next_day(2), theatre="T9")
    theatre.pick("K1", "CAP", although="asked for")
    theatre.settle("K1", "NAIL", "implant")
    theatre.settle("K1", "SET", "return")
    theatre.settle("K1", "CAP", "return")
    theatre.status("K1", "closed")
    assert theatre.tray("K1").unaccounted == 0


def test_who_counted_on_a_trays_pack_in_between_gives_way_when_the_tray_moves_to_its_day(
    theatre: Theatre,
) -> None:
    """K2 counts on Wednesday on the backup K1 has on its tray for Tuesday; K1 goes to Wednesday."""
    stocked(theatre)
    theatre.add_case("K1")
    theatre.plan("K1", PRIMARY, BACKUP)
    theatre.add_case("K2", day=next_day(1), theatre="T2")
    theatre.plan("K2", PRIMARY, BACKUP)
    theatre.pick("K1", "CAP")
    assert ("CAP", "L1", "K1", 1) in theatre.held("K2")
    theatre.change_case("K1", day=next_day(1))
    assert "CAP" not in {one[0] for one in theatre.held("K2")}
    assert theatre.events("K2")[0][0] == "lost a pack"


def test_the_implant_log_has_who_what_when_and_the_device_identifier(theatre: Theatre) -> None:
    """Identifier as element strings 01, 17, 10, 21: GS1 General Specifications, section 3."""
    theatre.receive("NAIL", 1, "LOT7", serial="S9")
    theatre.receive("CAP", 1)
    theatre.add_case("K1")
    theatre.pick("K1", "NAIL", lot="LOT7", serial="S9", although="planned late")
    theatre.pick("K1", "CAP", although="planned late")
    theatre.actor = "scrub nurse"
    theatre.settle("K1", "NAIL", "implant", lot="LOT7", serial="S9")
    theatre.settle("K1", "CAP", "waste", reason="dropped")
    nail, cap = theatre.work.read(lambda unit: implant_log(unit, "K1")).lines
    assert nail.udi == "(01)02910000000017(17)330101(10)LOT7(21)S9"
    assert (nail.lot, nail.serial, nail.fate, nail.quantity) == ("LOT7", "S9", "implanted", 1)
    assert (nail.actor, nail.at) == ("scrub nurse", NOW)
    assert (cap.fate, cap.reason, cap.udi) == ("wasted", "dropped", "")
