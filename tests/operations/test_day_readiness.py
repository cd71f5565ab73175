"""A list day in words and probabilities: the demo's scenes, and how much is read for them."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date, timedelta
from functools import partial
from typing import Any

import pytest
from sqlalchemy import event

from service.errors import BadInput
from service.operations.cover.check import check_case, check_day
from service.operations.readiness import answer_readiness, day_problem, day_readiness
from service.operations.work import Unit, Work
from tests.conftest import NOW
from tests.operations.tiny_hospital import DAY, build, operate

P_NAIL = "tiny-nail@P/130"


BACKUP = "tiny-nail@Q/130"


def demo_day(ahead: int) -> date:
    return NOW.date() + timedelta(days=ahead)


def test_two_cases_of_a_list_count_on_one_backup_and_are_told(demo_work: Work) -> None:
    told = demo_work.read(lambda unit: day_readiness(unit, demo_day(1)))
    (shared,) = told.shared
    assert shared.cases == ["HAR-0711", "HAR-0713"]
    assert "If HAR-0711 opens it, HAR-0713 loses it" in shared.says
    cases = {case.case: case for one in told.check.lists for case in one.cases}
    for name, other in (("HAR-0711", "HAR-0713"), ("HAR-0713", "HAR-0711")):
        (row,) = [row for row in cases[name].pick_list if row.shared_with]
        assert (row.ref, row.quantity, row.shared_with) == ("AMB-L-070", 1, [other])
        (long_nail,) = [one for one in cases[name].constructs if "long" in one.planned]
        assert long_nail.state == "covered"
        assert f"shared with {other}" in long_nail.says


def test_a_confirmation_from_before_the_count_is_reopened_and_another_holds(
    demo_work: Work,
) -> None:
    check = demo_work.read(lambda unit: check_day(unit, demo_day(1)))
    found = {case.case: case.confirmation for one in check.lists for case in one.cases}
    assert found["HAR-0713"] is None
    holds, reopened = found["HAR-0711"], found["HAR-0712"]
    assert holds is not None
    assert reopened is not None
    assert (holds.actor, holds.in_force, holds.changed) == ("demo surgeon", True, [])
    assert not reopened.in_force
    assert len(reopened.changed) == 1
    assert "lag screw 10.5 × 115 mm" in reopened.changed[0]


def test_one_more_unit_that_mends_the_worst_case_is_named_and_does_what_is_said(
    demo_work: Work,
) -> None:
    day = demo_day(1)
    told = demo_work.read(lambda unit: day_readiness(unit, day, samples=2_000))
    worst = told.worst
    assert worst is not None
    assert worst.readiness.value == min(case.readiness.value for case in told.cases)
    assert worst.case == "HAR-0738"
    assert worst.unit is not None
    assert worst.unit.refs == ["AMB-N-130-12-400-R"]
    assert worst.says.startswith(f"{worst.case}, ")
    assert "one more AMB-N-130-12-400-R makes it" in worst.says
    # Answered from outside: the day's problem with one line of stock more.
    problem: dict[str, Any] = demo_work.read(lambda unit: day_problem(unit, day)).problem
    stock = [*problem["stock"], {"item": "AMB-N-130-12-400-R", "quantity": 1}]
    answer: dict[str, Any] = answer_readiness(
        {**problem, "stock": stock, "method": "simulated", "samples": 2_000, "gains": 0}
    )
    cases = {case["case"]: case for case in answer["cases"]}
    error = max(cases[worst.case]["standard_error"], worst.readiness.standard_error)
    assert abs(worst.unit.readiness_to - cases[worst.case]["readiness"]) < 8 * error
    assert worst.unit.readiness_to > worst.unit.readiness_from == worst.readiness.value


def test_where_nothing_planned_answers_a_need_no_unit_is_promised(demo_work: Work) -> None:
    told = demo_work.read(lambda unit: day_readiness(unit, demo_day(2)))
    assert told.worst is not None
    assert told.worst.case == "HAR-0716"
    assert told.worst.unit is None
    # Of the tenth that does not go as planned a longer nail has 2 parts of 7; the other 5 have no
    # backup: at most 1 - 0.1 x 5 / 7 = 0.928. Of two as likely the plan's earlier one is named.
    assert told.worst.unanswered[0] == "different head fixation"
    assert told.worst.says == (
        "HAR-0716, 92 % chance of having everything; no backup for 'different head fixation': "
        "a backup would help more than stock."
    )


def test_the_worst_case_of_a_small_hospital_needs_its_only_backup_screw(work: Work) -> None:
    # Every nail and set is there; of the screws only 95 mm, for a neck of 101 ± 4.5 mm.
    stock = {**{f"P-N{mm}": 2 for mm in (10, 11, 12)}, "P-L95": 1, "P-IS": 1}
    build(work, stock, dropped=0)
    needs = [{"need": "as planned", "probability": 1, "constructs": [P_NAIL]}]
    operate(work, "K1", ("08:30", "10:00"), (102.5, 12.4), {"primary": P_NAIL, "needs": needs})
    told = work.read(lambda unit: day_readiness(unit, DAY, "exact"))
    assert (told.method, told.samples) == ("exact", None)
    assert told.worst is not None
    assert told.worst.unit is not None
    # By symmetry of the breaks (97.5, 102.5, 110 mm) the longer screw is the likelier one missing.
    assert told.worst.unit.refs == ["P-L100"]
    assert told.worst.unanswered == []


def test_a_day_without_a_list_has_no_worst_case(demo_work: Work) -> None:
    told = demo_work.read(lambda unit: day_readiness(unit, demo_day(20)))
    assert (told.worst, told.cases, told.check.lists) == (None, [], [])


def _ask(operation: Callable[[Unit, date], object], day: date, unit: Unit) -> object:
    return operation(unit, day)


def test_a_day_in_the_past_is_refused(demo_work: Work) -> None:
    for operation in (day_readiness, day_problem):
        with pytest.raises(BadInput) as refusal:
            demo_work.read(partial(_ask, operation, demo_day(-1)))
        assert [fault.pointer for fault in refusal.value.faults] == ["/day"]


@contextmanager
def statements(work: Work) -> Iterator[list[str]]:
    """Note every statement that goes to the database."""
    said: list[str] = []

    def note(*told: object) -> None:
        said.append(str(told[2]))

    event.listen(work.database.engine, "before_cursor_execute", note)
    yield said
    event.remove(work.database.engine, "before_cursor_execute", note)


@pytest.mark.parametrize("operation", [check_day, day_readiness], ids=["check", "readiness"])
def test_as_many_statements_for_fifty_two_cases_as_for_three(
    demo_work: Work, operation: Callable[[Unit, date], object]
) -> None:
    counts = []
    for ahead in (1, 9, 14):
        with statements(demo_work) as said:
            demo_work.read(partial(_ask, operation, demo_day(ahead)))
        counts.append(len(said))
    assert counts[0] == counts[1] < 30
    # On the tenth day a case has metal in the bone: what must be near for it is read in the rules.
    assert counts[2] == counts[1] + 1


def test_a_check_reads_of_the_ledger_only_when_its_newest_line_was_written(demo_work: Work) -> None:
    with statements(demo_work) as said:
        demo_work.read(lambda unit: check_case(unit, "HAR-0712"))
        demo_work.read(lambda unit: day_readiness(unit, demo_day(1)))
    assert said
    newest = "select movement.at from movement order by movement.seq desc limit"
    others = [" ".join(one.lower().split()).replace(newest, "") for one in said]
    assert not [one for one in others if "movement" in one]
