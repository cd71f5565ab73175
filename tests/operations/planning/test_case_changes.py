"""A case from its first entry to its end, and what may not be done to it any more."""

from collections.abc import Callable
from datetime import time

import pytest

from service.errors import BadInput, Conflict, Duplicate, Stale
from service.operations.cases.lookup import get_case
from service.operations.planning import case_changes
from service.operations.work import Work
from service.schemas.cases import CaseFields, MeasurementsBody, PlanBody
from tests.small_theatre import BACKUP, PRIMARY, Theatre, next_day


def test_a_reference_is_used_once_even_after_its_case_was_cancelled(theatre: Theatre) -> None:
    theatre.add_case("K1")
    theatre.cancel("K1")
    with pytest.raises(Duplicate):
        theatre.add_case("K1", day=next_day(5))


def test_a_case_is_not_put_on_a_list_in_the_past(theatre: Theatre) -> None:
    with pytest.raises(BadInput) as refused:
        theatre.add_case("K1", day=next_day(-2))
    assert refused.value.faults[0].pointer == "/list_date"


@pytest.mark.parametrize(
    ("film", "field"),
    [
        # A marker typed as 5 mm makes a neck path of 92 * 25 / 5 = 460 mm.
        ({"neck_film_mm": 92, "marker_film_mm": 5}, "neck_film_mm"),
        ({"canal_film_mm": 60}, "canal_film_mm"),
        ({"nail_length_mm": 40}, "nail_length_mm"),
    ],
)
def test_a_length_no_patient_has_is_asked_back_with_its_bound(
    demo_work: Work, film: dict[str, float], field: str
) -> None:
    """Bounds: common practice, no source."""
    fields = CaseFields(
        list_date=next_day(1),
        theatre="Theatre 1",
        starts=time(8, 30),
        ends=time(10),
        position=1,
        side="left",
        measurements=MeasurementsBody(**film),
    )
    version = demo_work.read(lambda unit: get_case(unit, "HAR-0712")).version
    with pytest.raises(BadInput) as refused:
        demo_work.write(lambda unit: case_changes.change_case(unit, "HAR-0712", fields, version))
    (fault,) = refused.value.faults
    assert fault.pointer == f"/measurements/{field}"
    assert "at a hip it is" in fault.reason


def test_each_change_is_a_version_and_an_old_one_is_refused(theatre: Theatre) -> None:
    theatre.receive("NAIL", 1)
    first = theatre.add_case("K1").version
    assert theatre.plan("K1").version == first + 1
    assert theatre.change_case("K1", hour=11).version == first + 2
    before = theatre.all_holds()
    with pytest.raises(Stale) as refused:
        theatre.work.write(
            lambda unit: case_changes.make_plan(unit, "K1", PlanBody(primary=BACKUP), first)
        )
    assert refused.value.facts == {"current_version": first + 2, "your_version": first}
    assert theatre.all_holds() == before


def test_a_plan_is_kept_as_revisions(theatre: Theatre) -> None:
    theatre.add_case("K1")
    theatre.plan("K1", PRIMARY)
    theatre.plan("K1", PRIMARY, BACKUP)
    plan = theatre.plan("K1", PRIMARY, BACKUP).plan
    assert plan is not None
    assert (plan.revision, plan.alternates, plan.actor) == (2, [BACKUP], "nurse")


CHANGES: dict[str, Callable[[Theatre], object]] = {
    "change": lambda theatre: theatre.change_case("K1", hour=11),
    "plan": lambda theatre: theatre.plan("K1", BACKUP),
    "cancel": lambda theatre: theatre.cancel("K1"),
}


@pytest.mark.parametrize("change", CHANGES)
def test_a_closed_case_stays_on_record_as_it_is(theatre: Theatre, change: str) -> None:
    theatre.receive("NAIL", 1)
    theatre.add_case("K1")
    theatre.plan("K1")
    theatre.status("K1", "prepared")
    closed = theatre.status("K1", "closed")
    assert theatre.held("K1") == []
    with pytest.raises(Conflict, match="closed"):
        CHANGES[change](theatre)
    assert theatre.case("K1").version == closed.version
    assert theatre.held("K1") == []


def test_changing_to_the_same_leaves_one_hold_of_each(theatre: Theatre) -> None:
    theatre.receive("NAIL", 2)
    theatre.receive("SET", 1)
    theatre.add_case("K1")
    theatre.plan("K1")
    for _ in range(3):
        theatre.change_case("K1")
    assert theatre.held("K1") == [("NAIL", "L1", "A", 1), ("SET", "L1", "A", 1)]


def test_a_pack_brought_early_serves_the_plan_that_comes_later(theatre: Theatre) -> None:
    theatre.receive("NAIL", 2)
    theatre.add_case("K1")
    theatre.pick("K1", "NAIL", although="it will be this one")
    theatre.plan("K1", PRIMARY)
    assert theatre.held("K1") == [("NAIL", "L1", "K1", 1)]
