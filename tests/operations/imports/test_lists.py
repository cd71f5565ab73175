"""A list that is brought as a file is no way round what its bringer may do, nor round an end."""

import pytest

from service.errors import BadInput
from service.operations.imports.run import import_file
from service.operations.people.permissions import NURSE, STOREKEEPER, SURGEON
from service.operations.work import Caller, Work
from service.schemas.imports import ImportOut
from tests.small_theatre import BACKUP, PRIMARY, Theatre, furnish

HEADER = "list_date,theatre,starts,ends,position,case_reference,side,primary,alternates"


@pytest.fixture
def theatre(work: Work) -> Theatre:
    furnish(work)
    made = Theatre(work)
    made.add_case("K1")
    made.plan("K1", PRIMARY)
    made.add_case("K2", hour=11)
    return made


def _row(case: str, *, hour: int = 9, position: int = 1, primary: str = "") -> str:
    return f"2031-03-04,T1,{hour:02}:00,{hour + 1:02}:00,{position},{case},left,{primary},"


def _bring(work: Work, roles: set[str], *rows: str, good_rows: bool = False) -> ImportOut:
    person = Caller("bringer", person_id=1, roles=frozenset(roles), operation="import_file")
    data = "\n".join([HEADER, *rows]).encode()
    return work.for_caller(person, lambda _unit: None).write(
        lambda unit: import_file(unit, "lists", data, "lists.csv", take_good_rows=good_rows)
    )


def _refused(work: Work, roles: set[str], *rows: str) -> list[tuple[str, str]]:
    with pytest.raises(BadInput) as refused:
        _bring(work, roles, *rows)
    return [(fault.pointer, fault.reason) for fault in refused.value.faults]


@pytest.mark.parametrize("role", [STOREKEEPER, NURSE])
def test_who_may_not_plan_does_not_plan_by_a_file(theatre: Theatre, role: str) -> None:
    ((pointer, reason),) = _refused(theatre.work, {role}, _row("K1", primary=BACKUP))
    assert pointer == "row 2, column primary"
    assert "Only a surgeon can do this" in reason
    ((pointer, _),) = _refused(theatre.work, {role}, _row("K9", hour=14, primary=PRIMARY))
    assert pointer == "row 2, column primary", "a first plan is a plan"
    plan = theatre.case("K1").plan
    assert plan is not None
    assert (plan.revision, plan.primary) == (1, PRIMARY)


def test_who_may_not_plan_brings_times_and_a_plan_that_is_there_already(theatre: Theatre) -> None:
    told = _bring(theatre.work, {STOREKEEPER}, _row("K1", hour=15, primary=PRIMARY))
    assert (told.added, told.changed) == (0, 1)
    case = theatre.case("K1")
    assert (case.starts_at.hour, case.plan and case.plan.revision) == (15, 1)


def test_a_surgeon_plans_by_a_file(theatre: Theatre) -> None:
    _bring(theatre.work, {STOREKEEPER, SURGEON}, _row("K1", primary=BACKUP))
    plan = theatre.case("K1").plan
    assert plan is not None
    assert (plan.revision, plan.primary) == (2, BACKUP)


@pytest.mark.parametrize("end", ["cancelled", "closed"])
def test_a_case_that_has_ended_is_not_changed_by_a_file(theatre: Theatre, end: str) -> None:
    if end == "cancelled":
        theatre.cancel("K1")
    else:
        for status in ("prepared", "in_theatre", "closed"):
            theatre.status("K1", status)
    before = theatre.case("K1")
    everyone = {STOREKEEPER, SURGEON, NURSE}
    for row in (_row("K1", hour=15), _row("K1", primary=BACKUP)):
        assert _refused(theatre.work, everyone, row) == [
            ("row 2, column case_reference", f"Case K1 is {end}; a file cannot change it.")
        ]
    assert theatre.case("K1") == before
    assert _bring(theatre.work, everyone, _row("K1", primary=PRIMARY)).unchanged == 1


def test_good_rows_are_taken_beside_a_refused_one(theatre: Theatre) -> None:
    theatre.cancel("K1")
    rows = (_row("K1", hour=15), _row("K2", hour=16, position=2))
    told = _bring(theatre.work, {STOREKEEPER}, *rows, good_rows=True)
    assert [(one.row, one.column) for one in told.refused] == [(2, "case_reference")]
    assert theatre.case("K2").starts_at.hour == 16
    assert theatre.case("K1").starts_at.hour == 9
