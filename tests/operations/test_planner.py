"""What the planner has read is read anew as soon as anything it was read from has been changed."""

from collections.abc import Callable
from datetime import date, timedelta

import pytest
from sqlalchemy import select, text, update
from sqlmodel import col

from service.operations.cases.lookup import require_case
from service.operations.cover.check import check_case
from service.operations.cover.requirements import case_requirements, check_until, input_until
from service.operations.imports import import_file
from service.operations.planner import PlannerContext, planner_of
from service.operations.planning.case_changes import cancel_case
from service.operations.recalls.start import lift_recall, start_recall
from service.operations.stock_units import read_stock_units
from service.operations.trays.trays import pick_pack
from service.operations.work import Unit, Work
from service.schemas.recalls import LiftBody, RecallBody
from service.schemas.trays import PackBody
from service.storage.queries import holds, stock
from service.storage.tables import (
    Balance,
    CasePack,
    Confirmation,
    ConstructTemplate,
    GuidanceBook,
    Hold,
    Item,
    Location,
    OperatingList,
    OrderLine,
    Plan,
    SizingDefault,
    table_of,
)
from tests.conftest import NOW
from tests.operations.trays.packs import SEED

#: seed_data/list_cases.csv: three days are looked at.
LAST = date(2031, 3, 6)


CASE = "HAR-0712"


def seen(unit: Unit) -> dict[str, object]:
    """Give every part of what the planner knows, as values that do not change by themselves."""
    planner = planner_of(unit)
    pairs = planner.cases_until(LAST)
    keys = [row.id or 0 for _, row in pairs]
    guidance = planner.guidance
    lots = sorted({row.lot_id for row in planner.stock_of(_some(planner))})
    lying = planner.lying(lots)
    screws = select(Item).filter_by(kind="lag_screw")
    items = [(row.id or 0, row.supplier) for row in unit.session.execute(screws).scalars()]
    return {
        "facts": list(planner.facts),
        "gtins": dict(planner.catalogue.gtins),
        "turnarounds": dict(planner.catalogue.turnarounds),
        "templates": dict(planner.templates),
        "values": dict(planner.values),
        "guidance": None if guidance is None else (guidance.id, str(guidance.body)),
        "cases": [(str(one.model_dump()), str(row.model_dump())) for one, row in pairs],
        "plans": {key: str(one.model_dump()) for key, one in planner.plans_of(keys).items()},
        "confirmations": {
            key: str(one.model_dump()) for key, one in planner.confirmations_of(keys).items()
        },
        "claims": list(planner.claims),
        "implanted": [tuple(row) for row in planner.used_in(keys)],
        "some stock": [tuple(row) for row in planner.stock_of(_some(planner))],
        "stock": [tuple(row) for row in planner.stock_of(None)],
        "deliveries": [tuple(row) for row in planner.deliveries],
        "recalled": set(planner.recalled),
        "recalls on": [
            str(one.model_dump()) for item in items for one in planner.recalls_on(*item)
        ],
        "lying": [(str(row.Location.model_dump()), row.lot_id, row.quantity) for row in lying],
        "packs on": [str(row) for row in planner.packs_on(lots)],
        "holds on": [(str(row.Hold.model_dump()), row.lot_id) for row in planner.holds_on(lots)],
        "parcels": read_stock_units(unit),
        "prepared": [
            (one.case, one.says, dict(one.dimensions)) for one in case_requirements(unit, LAST)
        ],
        "input": input_until(unit, LAST),
        "checked": check_until(unit, LAST),
    }


def _some(planner: PlannerContext) -> set[str]:
    return {item.ref for item in planner.facts if item.kind == "lag_screw"}


def anew(unit: Unit) -> dict[str, object]:
    """Give the same from a planner that has read nothing yet."""
    kept = unit.session.info.pop("planner")
    fresh = seen(unit)
    unit.session.info["planner"] = kept
    return fresh


def _owned(unit: Unit) -> dict[str, object]:
    """Give a pack of the case's own pick list."""
    row = next(row for row in check_case(unit, CASE).pick_list if row.place != "on its shelf")
    return {
        "ref": row.ref,
        "lot": row.lot or None,
        "serial": row.serial or None,
        "ownership": row.ownership,
    }


def _pick(unit: Unit) -> None:
    pick_pack(unit, CASE, PackBody.model_validate(_owned(unit)))


def _implant(unit: Unit) -> None:
    _pick(unit)
    pack = unit.session.execute(select(CasePack)).scalars().one()
    pack.implanted += 1


def _cancel(unit: Unit) -> None:
    cancel_case(unit, CASE, require_case(unit, CASE).version)


def _plan(unit: Unit) -> None:
    row = require_case(unit, CASE)
    plan = unit.session.execute(select(Plan).filter_by(case_id=row.id)).scalars().one()
    plan.body = {**plan.body, "alternates": [], "needs": []}


def _revision(unit: Unit) -> None:
    row = require_case(unit, CASE)
    plan = unit.session.execute(select(Plan).filter_by(case_id=row.id)).scalars().one()
    body = {**plan.body, "alternates": [], "needs": []}
    unit.session.add(
        Plan(case_id=plan.case_id, revision=plan.revision + 1, body=body, made_at=NOW, actor="x")
    )


def _hold(unit: Unit) -> None:
    hold = unit.session.execute(select(Hold)).scalars().first()
    assert hold is not None
    hold.quantity += 1


def _release(unit: Unit) -> None:
    rows = holds.active(unit.session, case_id=require_case(unit, CASE).id)
    holds.release(unit.session, rows, NOW, "a test")


def _receive(unit: Unit) -> None:
    balance = unit.session.execute(select(Balance)).scalars().first()
    assert balance is not None
    line = {
        "at": NOW,
        "kind": "receive",
        "lot_id": balance.lot_id,
        "from_location_id": None,
        "to_location_id": balance.location_id,
        "quantity": 3,
        "reason": "a test",
        "actor": "a test",
    }
    stock.post_movements(unit.session, [line])


def _take(unit: Unit) -> None:
    query = select(Balance).where(col(Balance.quantity) > col(Balance.held))
    balance = unit.session.execute(query).scalars().first()
    assert balance is not None
    line = {
        "at": NOW,
        "kind": "write_off",
        "lot_id": balance.lot_id,
        "from_location_id": balance.location_id,
        "to_location_id": None,
        "quantity": 1,
        "reason": "a test",
        "actor": "a test",
    }
    stock.post_movements(unit.session, [line])


def _recall(unit: Unit) -> None:
    refs = str(_owned(unit)["ref"])
    start_recall(unit, RecallBody(notice="N-1", ref=refs, reason="a test", quarantine=False))


def _import_item(unit: Unit) -> None:
    header = (SEED / "catalogue.csv").read_text(encoding="utf-8").splitlines()[0]
    facts = {"ref": "NEW-1", "kind": "end_cap", "description": "A new cap", "system": "Ambleford"}
    facts |= {"supplier": "Ambleford Demo Supply", "supplied_sterile": "yes", "reusable": "no"}
    facts |= {"pack_quantity": "1"}
    row = ",".join(facts.get(name, "") for name in header.split(","))
    data = f"{header}\n{row}\n".encode()
    import_file(unit, "catalogue", data, "catalogue.csv", take_good_rows=False)


def _item(unit: Unit) -> None:
    item = unit.session.execute(select(Item).filter_by(kind="lag_screw")).scalars().first()
    assert item is not None
    item.length_mm = 12.5


def _core_item(unit: Unit) -> None:
    items = table_of(Item)
    unit.session.execute(
        update(items).where(items.c.kind == "lag_screw").values(description="described anew")
    )


def _plain_sql(unit: Unit) -> None:
    unit.session.execute(text("UPDATE item SET description = 'in plain SQL' WHERE kind='end_cap'"))


def _figure(unit: Unit) -> None:
    row = unit.session.get_one(SizingDefault, "neck_sd_mm")
    row.value += 1


def _no_figures(unit: Unit) -> None:
    for row in unit.session.execute(select(SizingDefault)).scalars():
        unit.session.delete(row)


def _construct(unit: Unit) -> None:
    row = unit.session.execute(select(ConstructTemplate)).scalars().first()
    assert row is not None
    row.body = {**row.body, "name": "named anew"}


def _no_construct(unit: Unit) -> None:
    row = unit.session.execute(select(ConstructTemplate)).scalars().first()
    assert row is not None
    unit.session.delete(row)


def _book(unit: Unit) -> None:
    unit.session.add(GuidanceBook(body={"rule": []}, made_at=NOW, actor="a test"))


def _confirm(unit: Unit) -> None:
    row = Confirmation(
        case_id=require_case(unit, CASE).id or 0,
        plan_revision=1,
        at=NOW,
        actor="a test",
        checked={"cover": {}, "packs": []},
    )
    unit.session.add(row)


def _delivery(unit: Unit) -> None:
    line = unit.session.execute(
        select(OrderLine).where(col(OrderLine.quantity) > col(OrderLine.received))
    ).scalars()
    for row in line:
        row.received = row.quantity


def _theatre(unit: Unit) -> None:
    for row in unit.session.execute(select(OperatingList)).scalars():
        row.theatre = f"{row.theatre}b"


def _time(unit: Unit) -> None:
    row = require_case(unit, CASE)
    row.ends_at += timedelta(minutes=30)


def _place(unit: Unit) -> None:
    place = unit.session.execute(select(Location).filter_by(kind="shelf")).scalars().first()
    assert place is not None
    place.kind = "quarantine"


WRITES = (
    _pick,
    _implant,
    _cancel,
    _plan,
    _revision,
    _hold,
    _release,
    _receive,
    _take,
    _recall,
    _import_item,
    _item,
    _core_item,
    _plain_sql,
    _figure,
    _no_figures,
    _construct,
    _no_construct,
    _book,
    _confirm,
    _delivery,
    _theatre,
    _time,
    _place,
)


@pytest.mark.parametrize("write", WRITES, ids=lambda write: write.__name__.strip("_"))
def test_after_a_write_in_the_same_unit_nothing_stale_is_read(
    demo_work: Work, write: Callable[[Unit], None]
) -> None:
    def run(unit: Unit) -> None:
        before = seen(unit)
        write(unit)
        after = seen(unit)
        assert after == anew(unit)
        assert after != before

    demo_work.rehearse(run, "a test")


def test_a_recall_that_is_lifted_is_not_in_force_any_more(demo_work: Work) -> None:
    def run(unit: Unit) -> None:
        before = seen(unit)
        _recall(unit)
        assert seen(unit) != before
        lift_recall(unit, "N-1", LiftBody(reason="taken back"))
        assert seen(unit) == before

    demo_work.rehearse(run, "a test")


def test_what_a_savepoint_undoes_is_not_read_any_more(demo_work: Work) -> None:
    def run(unit: Unit) -> None:
        before = seen(unit)
        nested = unit.session.begin_nested()
        _item(unit)
        _receive(unit)
        assert seen(unit) != before
        nested.rollback()
        assert seen(unit) == before

    demo_work.rehearse(run, "a test")


def test_what_is_promised_alone_is_no_change_of_what_lies_on_the_shelves(demo_work: Work) -> None:
    """The planner knows balances without their promised part, so it need not read them again."""

    def run(unit: Unit) -> None:
        rows = planner_of(unit).stock_of(None)
        assert not any("held" in row._fields for row in rows)
        holds.set_held(unit.session, {(rows[0].lot_id, rows[0].location_id): 0})
        assert unit.session.info["written"]["balance.held"] == 1
        assert unit.session.info["written"]["balance"] == 0

    demo_work.rehearse(run, "a test")


def test_what_has_not_changed_is_read_once(demo_work: Work) -> None:
    def run(unit: Unit) -> None:
        first = planner_of(unit).facts
        assert planner_of(unit).facts is first
        assert check_until(unit, LAST) is check_until(unit, LAST)

    demo_work.read(run)
