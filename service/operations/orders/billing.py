"""Consigned units that were used: what is on no order yet, and bill-only drafts that pay for it."""

from typing import Any

from sqlalchemy import Row

from service.operations.orders.deliveries import catalogue_price
from service.operations.orders.drafting import new_order
from service.operations.orders.viewing import order_out, use_out
from service.operations.schemas.orders import BillBody
from service.operations.schemas.orders_out import BillGroup, BillOnly, Orders
from service.operations.unit import Unit
from service.storage.queries import orders
from service.storage.tables import BilledUse, Item, OrderLine, SupplyOrder

__all__ = ["draft_bills", "unbilled"]


def unbilled(unit: Unit) -> BillOnly:
    """Give what was used of consigned stock and is on no order yet, by supplier."""
    groups: dict[str, list[Row[Any]]] = {}
    for row in orders.unbilled_uses(unit.session, unit.site_id):
        groups.setdefault(row.supplier, []).append(row)
    return BillOnly(
        suppliers=[
            BillGroup(supplier=name, uses=[use_out(unit, row) for row in rows])
            for name, rows in sorted(groups.items())
        ]
    )


def draft_bills(unit: Unit, body: BillBody) -> Orders:
    """Put every use of consigned units that is on no order yet on its supplier's bill-only draft.

    Each use is counted once: it stays with its line until the order is cancelled. Prices are the
    catalogue's; items priced in another currency go on a draft of their own.
    """
    touched: dict[str, SupplyOrder] = {}
    for row in orders.unbilled_uses(unit.session, unit.site_id):
        if body.supplier is not None and row.supplier != body.supplier:
            continue
        item = unit.session.get_one(Item, row.item_id)
        order = _draft_of(unit, item)
        touched[order.reference] = order
        line = _line_of(unit, order, item, row.quantity)
        unit.session.add(BilledUse(movement_seq=row.seq, line_id=line.id or 0))
        unit.session.flush()
    for order in touched.values():
        order.version += 1
    unit.session.flush()
    return Orders(orders=[order_out(unit, order) for order in touched.values()])


def _draft_of(unit: Unit, item: Item) -> SupplyOrder:
    drafts = orders.orders_of(
        unit.session,
        unit.site_id,
        states=["draft"],
        kinds=["bill_only"],
        supplier=item.supplier,
    )
    for order in reversed(drafts):
        if item.currency is None or order.currency in {None, item.currency}:
            order.currency = order.currency or item.currency
            return order
    order = new_order(unit, item.supplier, "bill_only")
    order.currency = item.currency
    return order


def _line_of(unit: Unit, order: SupplyOrder, item: Item, quantity: int) -> OrderLine:
    line = orders.line_of(unit.session, order.id or 0, item.id or 0)
    if line is None:
        line = OrderLine(
            order_id=order.id or 0,
            item_id=item.id or 0,
            quantity=quantity,
            wanted=quantity,
            unit_price_minor=catalogue_price(order, item),
            why=["consigned units that were used"],
        )
        unit.session.add(line)
        unit.session.flush()
        return line
    line.quantity += quantity
    line.wanted += quantity
    return line
