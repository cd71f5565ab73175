"""A use-by date typed wrongly is put right on its lot, with a reason, and cases checked again."""

from datetime import date

import pytest

from service.errors import BadInput
from service.operations.people.audit import touched
from service.operations.planning.lot_edits import correct_use_by
from service.schemas.stock import LotOut, UseByBody
from tests.small_theatre import FIRST_DAY, SHELF, USE_BY, Theatre, next_day
from tests.two_sites import add_site, furnish_other, work_at


def use_by(ref: str, day: date | None, lot: str = "L1") -> UseByBody:
    facts = {"ref": ref, "lot": lot, "use_by": day, "reason": "misread on the label"}
    return UseByBody.model_validate(facts)


def correct(theatre: Theatre, ref: str, day: date | None, lot: str = "L1") -> LotOut:
    body = use_by(ref, day, lot)
    return theatre.work.write(lambda unit: correct_use_by(unit, body), "storekeeper")


def test_the_reason_both_dates_and_the_lot_stand_in_the_trail(theatre: Theatre) -> None:
    theatre.receive("NAIL", 1)
    body = use_by("NAIL", FIRST_DAY)
    facts = theatre.work.write(lambda unit: (correct_use_by(unit, body), touched(unit))[1])
    says = f"The use-by date of NAIL L1 was corrected from {USE_BY} to {FIRST_DAY}"
    assert facts == {
        "corrected": [f"{says}: misread on the label"],
        "lots": ["NAIL L1"],
    }


def test_a_case_that_counts_on_the_lot_is_told_and_gets_another_pack(theatre: Theatre) -> None:
    theatre.receive("NAIL", 1)
    theatre.receive("NAIL", 1, "L2")
    theatre.receive("SET", 1)
    theatre.add_case("K1")
    theatre.plan("K1")
    assert ("NAIL", "L1", "A", 1) in theatre.held("K1")
    correct(theatre, "NAIL", next_day(-1))
    assert ("NAIL", "L2", "A", 1) in theatre.held("K1")
    assert ("NAIL", "L1", "A", 1) not in theatre.held("K1")
    (kind, says) = theatre.events("K1")[0]
    assert kind == "use-by date"
    assert "misread on the label" in says


def test_a_case_of_another_site_that_counts_on_the_lot_is_told(theatre: Theatre) -> None:
    other = Theatre(work_at(theatre.work, add_site(theatre.work)))
    furnish_other(other.work, SHELF)
    theatre.receive("NAIL", 1)
    other.receive("NAIL", 1)
    other.receive("SET", 1)
    other.add_case("K9")
    other.plan("K9")
    other.confirm("K9")
    correct(theatre, "NAIL", next_day(-1))
    assert other.states("K9") == ["not covered"]
    assert other.reopened("K9")


@pytest.mark.parametrize(
    ("ref", "lot", "day", "field"),
    [
        ("NAIL", "L1", None, "/use_by"),
        ("NAIL", "L1", USE_BY, "/use_by"),
        ("NAIL", "L7", FIRST_DAY, "/lot"),
        ("NIL", "L1", FIRST_DAY, "/ref"),
    ],
    ids=["a sterile pack without a date", "the same date", "no such lot", "no such item"],
)
def test_a_correction_that_cannot_be_is_refused_and_changes_nothing(
    theatre: Theatre, ref: str, lot: str, day: date | None, field: str
) -> None:
    theatre.receive("NAIL", 1)
    with pytest.raises(BadInput) as refused:
        correct(theatre, ref, day, lot)
    assert [fault.pointer for fault in refused.value.faults] == [field]
    correct(theatre, "NAIL", FIRST_DAY)


def test_a_set_may_be_without_a_date(theatre: Theatre) -> None:
    theatre.receive("SET", 1, use_by=USE_BY)
    assert correct(theatre, "SET", None).use_by is None
