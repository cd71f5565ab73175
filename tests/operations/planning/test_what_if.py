"""Trying a change on a list day: the answer shows it, and nothing of it is saved."""

from datetime import date, timedelta
from typing import Any

import pytest
from sqlalchemy import select
from sqlmodel import SQLModel

from service.errors import BadInput, Duplicate, NotFound
from service.operations.backup import verify
from service.operations.cover.check import check_day
from service.operations.planning.what_if import what_if
from service.operations.work import Unit, Work
from service.schemas.cover import CheckOut
from service.schemas.what_if import WhatIfBody
from tests.conftest import NOW

DAY = NOW.date() + timedelta(days=1)


URGENT: dict[str, Any] = {
    "case": {
        "reference": "URGENT-1",
        "list_date": str(DAY),
        "theatre": "Trauma theatre 1",
        "starts": "07:00",
        "ends": "08:00",
        "position": 9,
        "side": "left",
        "sex": "F",
        "measurements": {
            "neck_film_mm": 100.6,
            "canal_film_mm": 14.1,
            "marker_film_mm": 31,
            "marker_true_mm": 25,
        },
    },
    "plan": {"primary": "helical-blade-nail@Cindermoor/130"},
}


def everything(work: Work) -> dict[str, list[tuple[Any, ...]]]:
    """Every row of every table."""

    def rows(unit: Unit) -> dict[str, list[tuple[Any, ...]]]:
        return {
            name: [
                tuple(row)
                for row in unit.session.execute(select(table).order_by(*table.primary_key.columns))
            ]
            for name, table in SQLModel.metadata.tables.items()
        }

    return work.read(rows)


def tried(work: Work, day: date = DAY, **body: object) -> CheckOut:
    wanted = WhatIfBody.model_validate(body)
    return work.rehearse(lambda unit: what_if(unit, day, wanted))


def told(check: CheckOut) -> set[tuple[str, str]]:
    return {(one.case, one.because) for one in check.troubles}


def test_one_more_screw_closes_the_gap_it_was_missing_from(demo_work: Work) -> None:
    before = demo_work.read(lambda unit: check_day(unit, DAY))
    assert told(before) == {("HAR-0712", "none_in_stock"), ("HAR-0713", "promised")}
    after = tried(demo_work, add_units=[{"ref": "FAL-L-115"}])
    assert told(after) == {("HAR-0713", "promised")}
    both = tried(demo_work, add_units=[{"ref": "FAL-L-115"}, {"ref": "CIN-B-075", "quantity": 2}])
    assert told(both) == set()


def test_a_set_that_is_borrowed_is_there_sterile(demo_work: Work) -> None:
    day = NOW.date() + timedelta(days=4)
    before = demo_work.read(lambda unit: check_day(unit, day))
    assert ("HAR-0725", "unsterile") in told(before)
    after = tried(demo_work, day, add_units=[{"ref": "GAR-IS"}])
    assert ("HAR-0725", "unsterile") not in told(after)


def test_a_case_that_is_moved_to_the_front_has_the_first_choice(demo_work: Work) -> None:
    # The only blade of 75 mm goes to whoever starts first (see planted.csv).
    after = tried(demo_work, move_case={"case": "HAR-0713", "starts": "07:00", "ends": "08:15"})
    (theatre,) = [one for one in after.lists if one.theatre == "Trauma theatre 1"]
    assert next(case.starts_at for case in theatre.cases if case.case == "HAR-0713").hour == 7
    assert told(after) == {("HAR-0712", "none_in_stock"), ("HAR-0711", "promised")}


def test_a_case_that_is_moved_to_another_day_is_off_the_list(demo_work: Work) -> None:
    move = {"case": "HAR-0711", "starts": "15:00", "ends": "16:30", "theatre": "Theatre 5"}
    after = tried(demo_work, move_case={**move, "list_date": str(DAY + timedelta(days=1))})
    names = {case.case for one in after.lists for case in one.cases}
    assert names == {"HAR-0712", "HAR-0713", "HAR-0738"}
    assert told(after) == {("HAR-0712", "none_in_stock")}


def test_an_urgent_case_is_checked_with_the_others_and_goes_first(demo_work: Work) -> None:
    after = tried(demo_work, add_case=URGENT)
    found = {case.case: case.state for one in after.lists for case in one.cases}
    assert set(found) == {"HAR-0711", "HAR-0712", "HAR-0713", "HAR-0738", "URGENT-1"}
    short = {one.case for one in after.troubles if one.because == "promised"}
    assert {"HAR-0711", "HAR-0713"} <= short


CHANGES: dict[str, dict[str, Any]] = {
    "nothing": {},
    "units": {"add_units": [{"ref": "FAL-L-115", "quantity": 3}, {"ref": "GAR-IS"}]},
    "a move": {"move_case": {"case": "HAR-0713", "starts": "07:00", "ends": "08:15"}},
    "an urgent case": {"add_case": URGENT},
}


@pytest.mark.parametrize("what", [*CHANGES, "all together"])
def test_nothing_is_saved(demo_work: Work, what: str) -> None:
    together = {name: value for one in CHANGES.values() for name, value in one.items()}
    before, check = everything(demo_work), demo_work.read(lambda unit: check_day(unit, DAY))
    tried(demo_work, **CHANGES.get(what, together))
    assert everything(demo_work) == before
    assert demo_work.read(verify).disagree == []
    assert demo_work.read(lambda unit: check_day(unit, DAY)) == check


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({"add_units": [{"ref": "FAL-L-115"}, {"ref": "NO-SUCH"}]}, "/add_units/1/ref"),
        (
            {"move_case": {"case": "HAR-0711", "starts": "10:00", "ends": "09:00"}},
            "/move_case/ends",
        ),
        (
            {
                "move_case": {
                    "case": "HAR-0711",
                    "starts": "09:00",
                    "ends": "10:00",
                    "list_date": str(NOW.date() - timedelta(days=1)),
                }
            },
            "/move_case/list_date",
        ),
        (
            {"add_case": {**URGENT, "plan": {"primary": "helical-blade-nail@Fallowmere/130"}}},
            "/add_case/plan/primary",
        ),
    ],
)
def test_a_change_that_cannot_be_tried_is_refused_where_it_stands(
    demo_work: Work, body: dict[str, Any], pointer: str
) -> None:
    before = everything(demo_work)
    with pytest.raises(BadInput) as refusal:
        tried(demo_work, **body)
    assert [fault.pointer for fault in refusal.value.faults] == [pointer]
    assert everything(demo_work) == before


def test_a_case_that_is_not_there_and_one_that_is_there_already_are_refused(
    demo_work: Work,
) -> None:
    with pytest.raises(NotFound):
        tried(demo_work, move_case={"case": "HAR-9999", "starts": "09:00", "ends": "10:00"})
    again = {**URGENT, "case": {**URGENT["case"], "reference": "HAR-0711"}}
    with pytest.raises(Duplicate):
        tried(demo_work, add_case=again)
