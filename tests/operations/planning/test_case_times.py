"""Times of cases over midnight and over the changes of the clocks.

The site is in Europe/London, where the clocks go forward on Sunday 30 March 2031 at 01:00 UTC and
back on Sunday 26 October 2031 at 01:00 UTC. Source: Directive 2000/84/EC and the Summer Time Order
2002, last Sundays of March and October; the dates are counted by hand.
"""

from datetime import UTC, date, datetime

import pytest

from service.errors import BadInput
from service.operations.imports.run import import_file
from service.operations.planning import case_changes
from service.operations.planning.what_if import what_if
from service.operations.work import Work
from service.schemas.cases import CaseBody, CaseOut
from service.schemas.what_if import WhatIfBody
from tests.small_theatre import FIRST_DAY, Theatre, case_fields, furnish

FORWARD, BACK = date(2031, 3, 30), date(2031, 10, 26)


@pytest.fixture
def theatre(work: Work) -> Theatre:
    furnish(work)
    return Theatre(work)


def _add(theatre: Theatre, day: date, starts: str, ends: str, **more: object) -> CaseOut:
    fields = {**case_fields(day, starts=starts, ends=ends), **more}
    body = CaseBody.model_validate({"reference": "K1", **fields})
    return theatre.work.write(lambda unit: case_changes.add_case(unit, body), "nurse")


def _refusal(theatre: Theatre, day: date, starts: str, ends: str) -> tuple[str, str]:
    with pytest.raises(BadInput) as refused:
        _add(theatre, day, starts, ends)
    (fault,) = refused.value.faults
    return fault.pointer, fault.reason


@pytest.mark.parametrize(
    ("starts", "ends", "field"),
    [("01:00", "03:00", "/starts"), ("01:30", "03:00", "/starts"), ("00:30", "01:59", "/ends")],
)
def test_a_time_that_the_clocks_skip_is_refused_with_the_next_one(
    theatre: Theatre, starts: str, ends: str, field: str
) -> None:
    pointer, reason = _refusal(theatre, FORWARD, starts, ends)
    assert pointer == field
    assert reason.endswith("use 02:00")


def test_the_times_beside_the_gap_are_taken(theatre: Theatre) -> None:
    case = _add(theatre, FORWARD, "00:59", "02:00")
    assert case.starts_at.astimezone(UTC) == datetime(2031, 3, 30, 0, 59, tzinfo=UTC)
    assert case.ends_at.astimezone(UTC) == datetime(2031, 3, 30, 1, 0, tzinfo=UTC)


def test_a_time_that_comes_twice_is_asked_for(theatre: Theatre) -> None:
    pointer, reason = _refusal(theatre, BACK, "01:30", "03:00")
    assert pointer == "/starts"
    assert "01:30 (UTC+0100) or 01:30 (UTC+0000)" in reason
    assert "choose in 'twice'" in reason


@pytest.mark.parametrize(("twice", "hour"), [("first", 0), ("second", 1)])
def test_which_of_the_two_is_meant_is_said_and_kept(
    theatre: Theatre, twice: str, hour: int
) -> None:
    case = _add(theatre, BACK, "01:30", "03:00", twice=twice)
    assert case.starts_at.astimezone(UTC) == datetime(2031, 10, 26, hour, 30, tzinfo=UTC)
    assert theatre.case("K1").twice == twice


def test_on_other_days_nothing_comes_twice(theatre: Theatre) -> None:
    assert _add(theatre, FIRST_DAY, "01:30", "03:00", twice="second").twice is None


def test_a_case_may_run_over_midnight(theatre: Theatre) -> None:
    case = _add(theatre, FIRST_DAY, "23:00", "01:30")
    assert case.list_date == FIRST_DAY
    assert case.ends_at.astimezone(UTC) == datetime(2031, 3, 5, 1, 30, tzinfo=UTC)
    # Into the night of the change the same rule holds: 30 March has no 01:30.
    move = {"case": "K1", "starts": "23:00", "ends": "01:30", "list_date": "2031-03-29"}
    body = WhatIfBody.model_validate({"move_case": move})
    with pytest.raises(BadInput) as refused:
        theatre.work.rehearse(lambda unit: what_if(unit, FIRST_DAY, body))
    assert [fault.pointer for fault in refused.value.faults] == ["/move_case/ends"]


@pytest.mark.parametrize(("starts", "ends"), [("09:00", "08:00"), ("09:00", "09:00")])
def test_an_end_that_is_a_slip_of_the_pen_is_refused(starts: str, ends: str) -> None:
    fields = case_fields(FIRST_DAY, starts=starts, ends=ends)
    with pytest.raises(ValueError, match="the end must be after the start"):
        CaseBody.model_validate({"reference": "K1", **fields})


def test_a_file_keeps_the_same_rules(theatre: Theatre) -> None:
    head = "list_date,theatre,starts,ends,twice,position,case_reference,side\n"

    def bring(*rows: str) -> None:
        data = (head + "\n".join(rows)).encode()
        theatre.work.write(
            lambda unit: import_file(unit, "lists", data, "lists.csv", take_good_rows=False)
        )

    bring("2031-03-04,T1,23:00,01:30,,1,K1,left", "2031-10-26,T1,01:30,03:00,second,1,K2,left")
    assert theatre.case("K1").ends_at.day == 5
    assert theatre.case("K2").twice == "second"
    with pytest.raises(BadInput) as refused:
        bring("2031-03-30,T1,01:30,03:00,,1,K3,left", "2031-10-26,T2,01:30,03:00,,1,K4,left")
    assert [fault.pointer for fault in refused.value.faults] == [
        "row 2, column starts",
        "row 3, column starts",
    ]
