"""Deliveries from a file: what is on its way, as orders that have been sent."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date

from service.exchange.rows import DeliveryRow
from service.operations.imports.plan import ImportPlan
from service.operations.orders.deliveries import KIND_OF, Expected, line_for, misfit, sent
from service.operations.unit import Unit
from service.storage.queries import catalogue, orders
from service.storage.tables import Item, OrderLine, SupplyOrder

__all__ = ["plan_deliveries"]


@dataclass(slots=True)
class _Desk:
    """The orders a file speaks of, as they will be; those it makes are not stored yet."""

    unit: Unit
    plan: ImportPlan
    orders: dict[str, SupplyOrder] = field(default_factory=dict)


def plan_deliveries(unit: Unit, rows: Sequence[tuple[int, DeliveryRow]]) -> ImportPlan:
    """Compare a delivery file with what is known to be on its way."""
    desk = _Desk(unit, ImportPlan())
    ids = catalogue.ids_by_ref(unit.session)
    for number, row in rows:
        item = unit.session.get(Item, ids[row.ref]) if row.ref in ids else None
        if item is None:
            desk.plan.fault(number, "ref", f"the catalogue has no item with REF {row.ref}")
        elif row.due_at is None:
            desk.plan.fault(
                number, "due_at", "when it is due must be known; otherwise leave it out"
            )
        elif row.ownership == "loan" and row.usable_from is None:
            desk.plan.fault(
                number, "usable_from", "a loan comes unsterile: say from when it can be used"
            )
        else:
            _plan_row(desk, number, item, _expected(unit, row))
    return desk.plan


def _expected(unit: Unit, row: DeliveryRow) -> Expected:
    due_at = unit.moment(row.due_at) if row.due_at else unit.now
    return Expected(
        row.reference,
        row.ref,
        row.quantity,
        row.ownership,
        due_at,
        unit.moment(row.usable_from) if row.usable_from else due_at,
        row.return_by,
        row.supplier,
    )


def _plan_row(desk: _Desk, number: int, item: Item, expected: Expected) -> None:
    made = desk.orders.get(expected.reference)
    order = made or orders.find_order(desk.unit.session, desk.unit.site_id, expected.reference)
    if order is None:
        order = desk.orders[expected.reference] = sent(desk.unit, expected, item)
        desk.plan.later(_add_order, desk.unit, order)
    line = orders.line_of(desk.unit.session, order.id, item.id or 0) if order.id else None
    if line is None:
        wrong = misfit(order, expected)
        if wrong is not None:
            desk.plan.fault(number, *wrong)
            return
        desk.plan.added += 1
        desk.plan.later(_add_line, desk.unit, order, expected, item)
        return
    _plan_known(desk, number, order, line, expected)


def _add_order(unit: Unit, order: SupplyOrder) -> None:
    unit.session.add(order)
    unit.session.flush()


def _add_line(unit: Unit, order: SupplyOrder, expected: Expected, item: Item) -> None:
    unit.session.add(line_for(order, expected, item))


def _plan_known(
    desk: _Desk, number: int, order: SupplyOrder, line: OrderLine, expected: Expected
) -> None:
    """Compare a row with a line on record; what has begun to come is not changed by a file."""
    wanted = _facts(order, expected)
    known = (
        line.quantity,
        order.ownership,
        line.due_at or order.due_at,
        line.usable_from or order.usable_from,
        order.return_by,
        order.supplier,
    )
    if wanted == known:
        desk.plan.unchanged += 1
        return
    if order.state != "sent" or line.received or line.let_go:
        reason = (
            f"order {order.reference} is {order.state}, with {line.received} of {line.quantity} "
            "here: change the order, not the file"
        )
        desk.plan.fault(number, "reference", reason)
        return
    wrong = misfit(order, expected)
    alone = len(orders.lines_of(desk.unit.session, [order.id or 0])) == 1
    if wrong is not None and not (alone and expected.reference not in desk.orders):
        desk.plan.fault(number, *wrong)
        return
    desk.orders[expected.reference] = order
    desk.plan.changed += 1
    desk.plan.later(_change, order, line, expected, alone)


_Facts = tuple[int, str, object, object, date | None, str]


def _facts(order: SupplyOrder, expected: Expected) -> _Facts:
    return (
        expected.quantity,
        expected.ownership,
        expected.due_at,
        expected.usable_from,
        expected.return_by,
        expected.supplier or order.supplier,
    )


def _change(order: SupplyOrder, line: OrderLine, expected: Expected, alone: bool) -> None:
    line.quantity = line.wanted = expected.quantity
    if alone:
        order.kind, order.ownership = KIND_OF[expected.ownership], expected.ownership
        order.supplier = expected.supplier or order.supplier
        order.return_by = expected.return_by
        order.due_at, order.usable_from = expected.due_at, expected.usable_from
        line.due_at = line.usable_from = None
    else:
        line.due_at, line.usable_from = expected.due_at, expected.usable_from
    order.version += 1
