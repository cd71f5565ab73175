"""Words and numbers of one case: what is only expected is named beside a number that counts on it.

Each number is the mixture of two worked from scipy.stats.norm: with the expected thing there, and
without it.
"""

from datetime import datetime, timedelta
from functools import partial

import pytest

from service.operations.orders.receive import add_delivery
from service.operations.readiness import day_readiness
from service.operations.sizing import list_defaults, set_default
from service.operations.work import Unit, Work
from service.schemas.cover import CaseCheckOut
from service.schemas.planning import SizingDefaultBody
from service.schemas.readiness import CaseReadiness
from service.schemas.stock import DeliveryBody
from tests.conftest import NOW
from tests.operations.test_readiness import lag_chances, nail_chances
from tests.operations.tiny_hospital import DAY, build, operate

P_NAIL = "tiny-nail@P/130"


PLAN = {
    "primary": P_NAIL,
    "needs": [{"need": "as planned", "probability": 1, "constructs": [P_NAIL]}],
}


#: All but the 95 mm lag screw and the set.
STOCK = {"P-N10": 4, "P-N11": 4, "P-N12": 4, "P-L90": 4, "P-L100": 4}


LAG, NAIL = lag_chances(100.0), sum(nail_chances(12.4).values())


#: Common practice, no source: how likely each is until a department says otherwise.
DELIVERY, SET = 0.95, 0.98


def deliver(work: Work, ref: str, due: datetime, order: str = "PO-7") -> None:
    body = {"reference": order, "ref": ref, "quantity": 1, "due_at": due}
    work.write(partial(add_delivery, body=DeliveryBody.model_validate(body)))


def told(work: Work) -> dict[str, tuple[CaseCheckOut, CaseReadiness]]:
    found = work.read(lambda unit: day_readiness(unit, DAY, "exact"))
    checks = {one.case: one for each in found.check.lists for one in each.cases}
    return {one.case: (checks[one.case], one) for one in found.cases}


def test_a_delivery_due_in_time_counts_with_a_probability_and_is_named(work: Work) -> None:
    build(work, {**STOCK, "P-IS": 1}, dropped=0)
    operate(work, "K1", ("08:30", "10:00"), (100.0, 12.4), PLAN)
    deliver(work, "P-L95", NOW + timedelta(hours=24))
    check, ready = told(work)["K1"]
    assert check.state == "partly covered"
    there, not_there = NAIL * sum(LAG.values()), NAIL * (LAG[90] + LAG[100])
    mixture = DELIVERY * there + (1 - DELIVERY) * not_there
    assert ready.readiness.value == pytest.approx(mixture, abs=1e-9)
    assert ready.counting_on == "counting on P-L95 of delivery PO-7 by 08:30"
    # By itself the construct is as likely as the case, which has no other.
    assert ready.constructs[0].coverage == pytest.approx(mixture, abs=1e-9)


def test_a_delivery_that_comes_too_late_or_is_overdue_counts_for_nothing(work: Work) -> None:
    build(work, {**STOCK, "P-IS": 1}, dropped=0)
    operate(work, "K1", ("08:30", "10:00"), (100.0, 12.4), PLAN)
    for order, hours in (("PO-7", -9), ("PO-8", 53)):
        deliver(work, "P-L95", NOW + timedelta(hours=hours), order)
        _, ready = told(work)["K1"]
        assert ready.readiness.value == pytest.approx(NAIL * (LAG[90] + LAG[100]), abs=1e-9)
        assert ready.counting_on == ""


def test_a_set_on_its_way_counts_with_a_probability_too(work: Work) -> None:
    build(work, {**STOCK, "P-L95": 4}, dropped=0)
    operate(work, "K1", ("15:00", "16:30"), (100.0, 12.4), PLAN)
    _, ready = told(work)["K1"]
    assert (ready.readiness.value, ready.counting_on) == (0, "")
    # Reprocessing ends 48 hours after it has come: at 8 o'clock on the day.
    deliver(work, "P-IS", NOW + timedelta(hours=1))
    check, ready = told(work)["K1"]
    assert check.state == "not covered"
    assert ready.readiness.value == pytest.approx(DELIVERY * NAIL * sum(LAG.values()), abs=1e-9)
    assert ready.counting_on == "counting on P-IS of delivery PO-7 by 15:00"


def test_a_set_that_has_to_come_back_counts_with_a_probability_and_is_named(work: Work) -> None:
    # The only copy is back at 14:00, 240 minutes after K1, for K2 at 15:00.
    build(work, {**STOCK, "P-L95": 4, "P-IS": 1}, dropped=0)
    operate(work, "K1", ("08:30", "10:00"), (100.0, 12.4), PLAN)
    operate(work, "K2", ("15:00", "16:30"), (100.0, 12.4), PLAN)
    made = NAIL * sum(LAG.values())
    found = told(work)
    assert [check.state for check, _ in found.values()] == ["covered", "covered if"]
    (_, first), (_, second) = found.values()
    assert first.readiness.value == pytest.approx(made, abs=1e-9)
    assert not first.counting_on
    assert second.readiness.value == pytest.approx(SET * made, abs=1e-9)
    assert second.counting_on == "counting on P-IS P-IS-1-0, back after K1 by 15:00"


def test_the_figure_of_the_department_is_the_probability(work: Work) -> None:
    build(work, {**STOCK, "P-L95": 4, "P-IS": 1}, dropped=0)
    operate(work, "K1", ("08:30", "10:00"), (100.0, 12.4), PLAN)
    operate(work, "K2", ("15:00", "16:30"), (100.0, 12.4), PLAN)

    def half(unit: Unit) -> None:
        key = "set_in_time_probability"
        (row,) = [row for row in list_defaults(unit).defaults if row.key == key]
        body = SizingDefaultBody(value=0.5, source="counted here", note=row.note)
        set_default(unit, key, body, row.version)

    work.write(half)
    _, second = told(work)["K2"]
    assert second.readiness.value == pytest.approx(0.5 * NAIL * sum(LAG.values()), abs=1e-9)


def test_where_everything_is_covered_the_number_counts_on_nothing(demo_work: Work) -> None:
    """On every demo day words and numbers name the same sets."""
    for ahead in range(1, 15):
        day = NOW.date() + timedelta(days=ahead)
        found = demo_work.read(partial(day_readiness, day=day, samples=100))
        ready = {one.case: one for one in found.cases}
        for case in (case for each in found.check.lists for case in each.cases):
            if case.case not in ready:
                continue
            says = ready[case.case].counting_on
            for one in case.expects:
                assert one.name in says, case.case
            assert (case.state != "covered") or not says, case.case
