"""A confirmation holds for what was checked, and no longer than that is there."""

from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import select

from service.errors import Conflict, Stale
from service.operations.backup import verify
from service.operations.cases.lookup import get_case
from service.operations.cover.check import check_case, check_day
from service.operations.planning.case_changes import add_case, change_case, make_plan
from service.operations.planning.confirm import confirm_plan_backups
from service.operations.recalls.start import start_recall
from service.operations.stock.movements import record_movement
from service.operations.work import Unit, Work
from service.schemas.cases import CaseBody, CaseFields, PlanBody
from service.schemas.cover import ConfirmationOut
from service.schemas.recalls import RecallBody
from service.schemas.stock import CountBody
from service.schemas.trays import QuarantineBody
from service.storage.tables import Confirmation
from tests.operations.tiny_hospital import DAY, SHELF, build, operate, receive

P_NAIL, Q_NAIL = "tiny-nail@P/130", "tiny-nail@Q/130"


PLAN: dict[str, Any] = {
    "primary": P_NAIL,
    "alternates": [Q_NAIL],
    "needs": [{"need": "as planned", "probability": 1, "constructs": [P_NAIL, Q_NAIL]}],
}


#: Everything a neck of 101 mm and a canal of 12.4 mm ask for: 95 mm and 11 mm, and one either side;
#: the other system's 96 mm, and one either side.
STOCK = {
    **{f"P-L{mm}": 1 for mm in (90, 95, 100)},
    **{f"Q-L{mm}": 1 for mm in (92, 96, 100)},
    **{f"{system}-N{mm}": 1 for system in "PQ" for mm in (10, 11, 12)},
    "P-IS": 1,
    "Q-IS": 1,
}


@pytest.fixture
def ready(work: Work) -> Work:
    """K0 in the morning and K1 after its set is back; K1 is wholly covered.

    K0 has no alternate, so it is brought a spare of nail and screw besides the one it uses.
    """
    build(work, {**STOCK, "P-L95": 3, "P-N11": 3}, dropped=0)
    operate(work, "K0", ("08:00", "09:30"), (101.0, 12.4), {"primary": P_NAIL})
    operate(work, "K1", ("15:00", "16:30"), (101.0, 12.4), PLAN)
    return work


def confirmed(work: Work, reference: str = "K1") -> ConfirmationOut:
    def write(unit: Unit) -> ConfirmationOut:
        case = get_case(unit, reference)
        revision = case.plan.revision if case.plan else 0
        return confirm_plan_backups(unit, reference, revision, case.version)

    return work.write(write, "surgeon")


def now(work: Work, reference: str = "K1") -> ConfirmationOut:
    check = work.read(lambda unit: check_case(unit, reference))
    assert check.confirmation is not None
    return check.confirmation


def count(ref: str, counted: int, lot: str = "1") -> Callable[[Unit], object]:
    body: dict[str, Any] = {"kind": "count", "ref": ref, "at": SHELF, "reason": "counted"}
    name = {"serial": f"{ref}-1-0"} if ref.endswith("-IS") else {"lot": f"{ref}-{lot}"}
    return lambda unit: record_movement(
        unit, CountBody.model_validate({**body, **name, "counted": counted})
    )


def quarantine(unit: Unit) -> None:
    body = {"kind": "quarantine", "ref": "Q-L96", "lot": "Q-L96-1", "quantity": 1}
    record_movement(
        unit, QuarantineBody.model_validate({**body, "origin": SHELF, "reason": "torn"})
    )


def recall(unit: Unit) -> None:
    body = {"notice": "N1", "ref": "Q-L96", "lot": "Q-L96-1", "reason": "a notice"}
    start_recall(unit, RecallBody.model_validate({**body, "quarantine": False}))


def start_earlier(unit: Unit) -> None:
    """At 10:30 the only set is still away after K0, until 13:30."""
    known = get_case(unit, "K1")
    facts = known.model_dump(include=set(CaseFields.model_fields))
    body = CaseFields.model_validate({**facts, "starts": "10:30", "ends": "12:00"})
    change_case(unit, "K1", body, known.version)


def test_a_confirmation_says_who_saw_which_revision_and_keeps_what_was_checked(
    ready: Work,
) -> None:
    told = confirmed(ready)
    assert (told.plan_revision, told.actor, told.in_force) == (1, "surgeon", True)
    kept = ready.read(lambda unit: unit.session.execute(select(Confirmation)).scalar_one().checked)
    states = {name: cover["state"] for name, cover in kept["cover"].items()}
    # The set of its first choice is opened by the case before it.
    assert (states[P_NAIL], states[Q_NAIL]) == ("covered if", "covered")
    packs = {pack["ref"]: pack["lot"] or pack["serial"] for pack in kept["packs"]}
    assert packs["Q-L96"] == "Q-L96-1"
    assert packs["P-IS"] == "P-IS-1-0"
    check = ready.read(lambda unit: check_day(unit, DAY))
    by_case = {case.case: case.confirmation for one in check.lists for case in one.cases}
    assert by_case["K0"] is None
    assert by_case["K1"] is not None
    assert by_case["K1"].in_force


LOWERING: dict[str, tuple[Callable[[Unit], object], str]] = {
    "a count that finds fewer": (count("Q-L96", 0), "lag screw 96 mm"),
    "quarantine": (quarantine, "lag screw 96 mm"),
    "a recall": (recall, "lag screw 96 mm"),
    "a set that is gone": (count("Q-IS", 0), "nail instrument set"),
    "another time": (start_earlier, "nail instrument set"),
}


@pytest.mark.parametrize("what", LOWERING)
def test_what_lowers_the_cover_reopens_it_and_is_named(ready: Work, what: str) -> None:
    change, named = LOWERING[what]
    assert confirmed(ready).in_force
    assert now(ready).in_force
    ready.write(change, "storekeeper")
    told = now(ready)
    assert not told.in_force
    assert len(told.changed) == 1
    assert named in told.changed[0]
    assert not ready.read(verify).disagree


def test_it_stays_reopened_when_the_cover_comes_back_before_anybody_looks(ready: Work) -> None:
    confirmed(ready)
    ready.write(count("Q-L96", 0))
    ready.write(count("Q-L96", 1))
    check = ready.read(lambda unit: check_case(unit, "K1"))
    assert check.state == "covered if"
    assert check.confirmation is not None
    assert not check.confirmation.in_force
    assert "lag screw 96 mm" in check.confirmation.changed[0]
    # It is confirmed again, and only then holds.
    confirmed(ready)
    assert now(ready).in_force


def test_a_new_revision_of_the_plan_is_not_what_was_confirmed(ready: Work) -> None:
    confirmed(ready)
    body = PlanBody.model_validate({**PLAN, "alternates": [], "needs": []})
    ready.write(lambda unit: make_plan(unit, "K1", body, get_case(unit, "K1").version))
    told = now(ready)
    assert not told.in_force
    assert told.changed[0] == "The plan changed from revision 1 to 2."


def test_more_stock_and_another_lot_of_the_same_item_change_nothing(ready: Work) -> None:
    confirmed(ready)
    before = {row.ref: row.lot for row in ready.read(lambda unit: check_case(unit, "K1")).pick_list}
    ready.write(lambda unit: receive(unit, "Q-L96", 3, lot="2"))
    assert now(ready).in_force
    ready.write(count("Q-L96", 0))
    after = {row.ref: row.lot for row in ready.read(lambda unit: check_case(unit, "K1")).pick_list}
    assert (before["Q-L96"], after["Q-L96"]) == ("Q-L96-1", "Q-L96-2")
    assert now(ready).in_force
    assert now(ready).changed == []


def test_what_was_missing_when_it_was_confirmed_does_not_reopen_it(ready: Work) -> None:
    ready.write(count("Q-L96", 0))
    assert confirmed(ready).in_force
    assert now(ready).in_force
    ready.write(count("Q-L92", 0))
    told = now(ready)
    assert not told.in_force
    assert ["92 mm" in said for said in told.changed] == [True]


def test_more_missing_of_what_was_short_already_reopens_it(work: Work) -> None:
    # A wire or two: with one wire a second is missing, without any both are.
    build(work, {**STOCK, "W": 1}, dropped=0)
    plan = {"primary": f"{P_NAIL}+tiny-wire", "alternates": [P_NAIL]}
    operate(work, "K1", ("15:00", "16:30"), (101.0, 12.4), plan)
    assert confirmed(work).in_force
    assert now(work).in_force
    work.write(count("W", 0))
    assert not now(work).in_force


def test_a_revision_that_is_not_the_newest_cannot_be_confirmed(ready: Work) -> None:
    body = PlanBody.model_validate({**PLAN, "alternates": [], "needs": []})
    ready.write(lambda unit: make_plan(unit, "K1", body, get_case(unit, "K1").version))
    with pytest.raises(Stale, match="revision 2"):
        ready.write(lambda unit: confirm_plan_backups(unit, "K1", 1, get_case(unit, "K1").version))
    with pytest.raises(Stale):
        ready.write(
            lambda unit: confirm_plan_backups(unit, "K1", 2, get_case(unit, "K1").version - 1)
        )
    assert ready.read(lambda unit: unit.session.execute(select(Confirmation)).all()) == []


def test_a_case_without_a_plan_cannot_be_confirmed(ready: Work) -> None:
    body = {"reference": "K9", "list_date": DAY, "theatre": "Theatre 1", "starts": "17:00"}
    body |= {"ends": "18:00", "position": 9, "side": "left"}
    ready.write(lambda unit: add_case(unit, CaseBody.model_validate(body)))
    with pytest.raises(Conflict, match="Plan it first"):
        ready.write(lambda unit: confirm_plan_backups(unit, "K9", 1, 1))


def test_a_confirmation_raises_the_version_so_that_two_cannot_confirm_at_once(
    ready: Work,
) -> None:
    version = ready.read(lambda unit: get_case(unit, "K1")).version
    ready.write(lambda unit: confirm_plan_backups(unit, "K1", 1, version))
    assert ready.read(lambda unit: get_case(unit, "K1")).version == version + 1
    with pytest.raises(Stale):
        ready.write(lambda unit: confirm_plan_backups(unit, "K1", 1, version))
