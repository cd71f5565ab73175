"""What the tables refuse by themselves, on both databases, whatever the code above them does."""

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta, timezone
from typing import Any

import pytest
from sqlalchemy import Delete, Update, delete, insert, select, text, update
from sqlalchemy.exc import DBAPIError, IntegrityError, StatementError
from sqlmodel import Session

from service.errors import Conflict
from service.operations.work import Work
from service.storage.queries import stock
from service.storage.tables import (
    Balance,
    Item,
    Location,
    Lot,
    Movement,
    OperatingList,
    OrderLine,
    PastUse,
    Plan,
    SupplyOrder,
    SurgicalCase,
    table_of,
)
from tests.conftest import NOW

#: One row of each table that is in order; the tests spoil one column at a time.
SITE = 1


ITEM: dict[str, Any] = {
    "id": 1,
    "ref": "L-95",
    "kind": "lag_screw",
    "description": "Lag screw",
    "supplier": "Test supply",
    "supplied_sterile": True,
    "reusable": False,
    "pack_quantity": 1,
    "version": 1,
}


LOT: dict[str, Any] = {
    "id": 1,
    "item_id": 1,
    "lot_number": "L1",
    "serial": "",
    "use_by": date(2033, 1, 1),
    "ownership": "owned",
    "sterility": "sterile",
}


PLACE: dict[str, Any] = {"id": 1, "site_id": SITE, "store": "S", "shelf": "1", "kind": "shelf"}


BALANCE: dict[str, Any] = {"lot_id": 1, "location_id": 1, "quantity": 2, "held": 1}


MOVEMENT: dict[str, Any] = {
    "seq": 1_000,
    "at": NOW,
    "kind": "receive",
    "lot_id": 1,
    "to_location_id": 1,
    "quantity": 2,
    "reason": "",
    "actor": "test",
}


LIST: dict[str, Any] = {"id": 1, "site_id": SITE, "list_date": date(2031, 3, 4), "theatre": "T1"}


CASE: dict[str, Any] = {
    "id": 1,
    "site_id": SITE,
    "list_id": 1,
    "reference": "K1",
    "position": 1,
    "starts_at": NOW,
    "ends_at": NOW + timedelta(hours=1),
    "side": "left",
    "sex": "F",
    "findings": {},
    "measurements": {},
    "status": "planned",
    "version": 1,
}


PLAN: dict[str, Any] = {
    "id": 1,
    "case_id": 1,
    "revision": 1,
    "body": {},
    "made_at": NOW,
    "actor": "test",
}


ORDER: dict[str, Any] = {
    "id": 1,
    "site_id": SITE,
    "reference": "PO-1",
    "supplier": "Test supply",
    "kind": "purchase",
    "ownership": "owned",
    "state": "sent",
    "due_at": NOW,
    "usable_from": NOW,
    **dict.fromkeys(("note", "wanted_for", "approved_by", "sent_by", "closed_by"), ""),
    "closed_why": "",
    "made_at": NOW,
    "made_by": "test",
    "version": 1,
}


ORDERED: dict[str, Any] = {
    "id": 1,
    "order_id": 1,
    "item_id": 1,
    "quantity": 1,
    "wanted": 1,
    "received": 0,
    "let_go": 0,
    "why": [],
}


USE: dict[str, Any] = {
    "id": 1,
    "item_id": 1,
    "used_on": date(2031, 3, 1),
    "quantity": 1,
    "lot_number": "",
    "case_reference": "",
    "outcome": "implanted",
}


ROWS = (
    (Item, ITEM),
    (Lot, LOT),
    (Location, PLACE),
    (Balance, BALANCE),
    (Movement, MOVEMENT),
    (OperatingList, LIST),
    (SurgicalCase, CASE),
    (Plan, PLAN),
    (SupplyOrder, ORDER),
    (OrderLine, ORDERED),
    (PastUse, USE),
)


WRONG: tuple[tuple[type, dict[str, Any], str], ...] = (
    (Item, {"kind": "spaceship"}, "ck_item_kind_known"),
    (Item, {"side": "both"}, "ck_item_side_known"),
    (Item, {"head_design": "hexagonal"}, "ck_item_head_design_known"),
    (Item, {"thread": "loose"}, "ck_item_thread_known"),
    (Item, {"length_mm": 0}, "ck_item_length_mm_positive"),
    (Item, {"diameter_mm": -1}, "ck_item_diameter_mm_positive"),
    (Item, {"pack_quantity": 0}, "ck_item_pack_quantity_positive"),
    (Item, {"unit_price_minor": -1}, "ck_item_price_not_below_0"),
    (Item, {"lead_time_days": -1}, "ck_item_lead_not_below_0"),
    (Item, {"gtin": "2910000000017"}, "ck_item_gtin_14"),
    (Lot, {"ownership": "borrowed"}, "ck_lot_ownership_known"),
    (Lot, {"sterility": "clean"}, "ck_lot_sterility_known"),
    (Lot, {"ownership": "loan"}, "ck_lot_loan_has_return"),
    (Lot, {"lot_number": "", "serial": ""}, "ck_lot_lot_or_serial"),
    (Location, {"kind": "cellar"}, "ck_location_kind_known"),
    # Fewer than none breaks two checks at once: a held number has to lie between 0 and it.
    (Balance, {"quantity": -1, "held": 0}, "ck_balance_"),
    (Balance, {"held": -1}, "ck_balance_held_not_below_0"),
    (Balance, {"held": 3}, "ck_balance_held_within_quantity"),
    (Movement, {"kind": "vanish"}, "ck_movement_kind_known"),
    (Movement, {"quantity": 0}, "ck_movement_quantity_positive"),
    (Movement, {"quantity": -2}, "ck_movement_quantity_positive"),
    (Movement, {"to_location_id": None}, "ck_movement_moves_somewhere"),
    (Movement, {"from_location_id": 1}, "ck_movement_moves_elsewhere"),
    (SurgicalCase, {"position": 0}, "ck_surgical_case_position_positive"),
    (SurgicalCase, {"ends_at": NOW}, "ck_surgical_case_ends_after_start"),
    (SurgicalCase, {"side": "either"}, "ck_surgical_case_side_known"),
    (SurgicalCase, {"sex": "X"}, "ck_surgical_case_sex_known"),
    (SurgicalCase, {"class_year": 2018}, "ck_surgical_case_class_carries_its_year"),
    (SurgicalCase, {"status": "lost"}, "ck_surgical_case_status_known"),
    (Plan, {"revision": 0}, "ck_plan_revision_positive"),
    (SupplyOrder, {"kind": "gift"}, "ck_supply_order_kind_known"),
    (SupplyOrder, {"state": "lost"}, "ck_supply_order_state_known"),
    (SupplyOrder, {"ownership": "found"}, "ck_supply_order_ownership_known"),
    (SupplyOrder, {"ownership": "loan"}, "ck_supply_order_loan_has_return"),
    (SupplyOrder, {"usable_from": NOW - timedelta(hours=1)}, "ck_supply_order_usable_after_due"),
    (SupplyOrder, {"usable_from": None}, "ck_supply_order_due_and_usable_from"),
    (SupplyOrder, {"due_at": None, "usable_from": None}, "ck_supply_order_sent_has_due"),
    (OrderLine, {"quantity": 0}, "ck_order_line_quantity_positive"),
    (OrderLine, {"wanted": 0}, "ck_order_line_wanted_positive"),
    (OrderLine, {"received": -1}, "ck_order_line_received_not_below_0"),
    (OrderLine, {"let_go": -1}, "ck_order_line_let_go_not_below_0"),
    (OrderLine, {"unit_price_minor": -1}, "ck_order_line_price_not_below_0"),
    (OrderLine, {"due_at": NOW}, "ck_order_line_due_and_usable_from"),
    (PastUse, {"quantity": 0}, "ck_usage_row_quantity_positive"),
    (PastUse, {"outcome": "lost"}, "ck_usage_row_outcome_known"),
)


def _run(work: Work, change: Callable[[Session], object]) -> None:
    work.database.run(change, writes=True)


def _fill(session: Session) -> None:
    for model, row in ROWS:
        session.execute(insert(table_of(model)).values(row))


def test_every_check_of_the_tables_refuses_its_wrong_row_by_name(work: Work) -> None:
    _run(work, _fill)
    rows: dict[type, dict[str, Any]] = dict(ROWS)
    for model, change, name in WRONG:
        table = table_of(model)
        keys = [column.name for column in table.primary_key.columns]
        spoiled = {**rows[model], **change}
        where = [table.c[key] == spoiled[key] for key in keys]
        # The ledger takes no UPDATE at all, so its wrong rows come as new ones.
        if model is Movement:
            statement: Any = insert(table).values({**spoiled, "seq": 2_000})
        else:
            statement = update(table).where(*where).values(change)
        with pytest.raises(IntegrityError) as refused:
            _run(work, lambda session, statement=statement: session.execute(statement))  # type: ignore[misc] # the default binds this round's statement
        assert name in str(refused.value.orig), change


def test_the_same_thing_cannot_be_there_twice(work: Work) -> None:
    _run(work, _fill)
    for model, row in ROWS:
        table = table_of(model)
        if model in {Balance, Movement}:
            continue
        with pytest.raises(IntegrityError):
            _run(work, lambda s, t=table, r=row: s.execute(insert(t).values({**r, "id": 2})))  # type: ignore[misc] # the defaults bind this round's values


def test_a_row_that_points_at_nothing_is_refused(work: Work) -> None:
    """SQLite checks foreign keys only where it is told to, connection by connection."""
    with pytest.raises(IntegrityError):
        _run(work, lambda session: session.execute(insert(table_of(Lot)).values(LOT)))


@pytest.mark.parametrize(
    "change",
    [
        update(table_of(Movement)).values(quantity=1),
        update(table_of(Movement)).values(reason="was never so"),
        delete(table_of(Movement)),
    ],
    ids=["quantity", "reason", "delete"],
)
def test_the_ledger_is_never_changed(work: Work, change: Update | Delete) -> None:
    _run(work, _fill)
    with pytest.raises(DBAPIError, match="append-only"):
        _run(work, lambda session: session.execute(change))
    kept = work.database.run(
        lambda session: session.execute(select(table_of(Movement).c.quantity)).scalars().all(),
        writes=False,
    )
    assert kept == [2]


def test_the_ledger_is_not_emptied_at_a_stroke(work: Work) -> None:
    _run(work, _fill)
    if work.database.is_sqlite:
        statement, says = "INSERT OR REPLACE INTO movement SELECT * FROM movement", "append-only"
    else:
        statement, says = "TRUNCATE movement CASCADE", "append-only"
    with pytest.raises(DBAPIError, match=says):
        _run(work, lambda session: session.execute(text(statement)))


def test_units_cannot_leave_a_place_that_never_had_them(work: Work) -> None:
    _run(work, _fill)
    away = {**MOVEMENT, "to_location_id": None, "from_location_id": 2, "kind": "waste"}
    del away["seq"]
    place = {**PLACE, "id": 2, "shelf": "2"}

    def take(session: Session) -> None:
        session.execute(insert(table_of(Location)).values(place))
        stock.post_movements(session, [away])

    with pytest.raises(Conflict):
        _run(work, take)
    with pytest.raises(IntegrityError):
        _run(work, lambda s: stock.post_movements(s, [{**away, "from_location_id": 1}]))


MOMENTS = (
    datetime(2031, 3, 3, 7, 0, tzinfo=UTC),
    datetime(2031, 7, 1, 0, 30, 15, 123456, tzinfo=timezone(timedelta(hours=5, minutes=30))),
    datetime(2031, 12, 31, 23, 59, 59, tzinfo=timezone(timedelta(hours=-8))),
)


@pytest.mark.parametrize("moment", MOMENTS, ids=str)
def test_a_moment_comes_back_as_the_same_moment_in_utc(work: Work, moment: datetime) -> None:
    _run(work, _fill)
    line = {**MOVEMENT, "seq": 2_000, "at": moment}
    _run(work, lambda session: session.execute(insert(table_of(Movement)).values(line)))
    table = table_of(Movement)
    kept = work.database.run(
        lambda session: session.execute(
            select(table.c.at).where(table.c.seq == 2_000)
        ).scalar_one(),
        writes=False,
    )
    assert kept == moment
    assert kept.utcoffset() == timedelta(0)


def test_a_moment_without_a_zone_is_refused(work: Work) -> None:
    _run(work, _fill)
    line = {**MOVEMENT, "seq": 2_000, "at": datetime(2031, 3, 3, 7, 0)}  # noqa: DTZ001 - the wrong thing is the point
    with pytest.raises(StatementError, match="no time zone"):
        _run(work, lambda session: session.execute(insert(table_of(Movement)).values(line)))
