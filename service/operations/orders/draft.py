"""Drafts: what is wanted, grouped by supplier, in whole packs, and changed until it is approved."""

from collections.abc import Iterable
from typing import Any

from sqlalchemy import Row

from service.errors import BadInput, FieldFault
from service.operations.catalogue import require_item
from service.operations.locations import item_key
from service.operations.orders.orders import next_order_reference, order_lines, require_editable
from service.operations.orders.receive import catalogue_price
from service.operations.orders.view import order_out, use_out
from service.operations.work import Unit
from service.schemas.orders import (
    BillBody,
    BillGroup,
    BillOnly,
    DraftBody,
    EditBody,
    EditLine,
    OrderOut,
    Orders,
)
from service.storage.queries import orders
from service.storage.tables import BilledUse, Item, OrderLine, SupplyOrder

OWNERSHIP_OF = {
    "purchase": "owned",
    "loan": "loan",
    "call_off": "consigned",
    "bill_only": "consigned",
}


def draft_orders(unit: Unit, body: DraftBody) -> Orders:
    """Put what is wanted on drafts, one a supplier; an open draft of the supplier is added to.

    Raises
    ------
    BadInput
        When a REF is unknown, or a supplier's items have prices in more than one currency.
    """
    touched: dict[str, SupplyOrder] = {}
    for place, wanted in enumerate(body.lines):
        pointer = f"/lines/{place}/ref"
        item = require_item(unit, wanted.ref, pointer)
        supplier = wanted.supplier or item.supplier
        order = touched.get(supplier) or _order_draft(unit, body, supplier)
        touched[supplier] = order
        _require_currency(order, item, pointer)
        _add(unit, order, item, wanted.quantity, wanted.why)
    for order in touched.values():
        order.version += 1
    unit.session.flush()
    return Orders(orders=[order_out(unit, order) for order in touched.values()])


def whole_packs(wanted: int, pack_quantity: int) -> int:
    """Round units up to whole packs.

    Examples
    --------
    >>> whole_packs(3, 5), whole_packs(10, 5)
    (5, 10)
    """
    return -(-wanted // pack_quantity) * pack_quantity


def _order_draft(unit: Unit, body: DraftBody, supplier: str) -> SupplyOrder:
    """Return the supplier's open draft; one loan is not mixed with another case's."""
    known = orders.open_draft(unit.session, unit.site_id, supplier, body.kind)
    loan = (body.wanted_for, body.return_by)
    if known is not None and (body.kind != "loan" or (known.wanted_for, known.return_by) == loan):
        if body.wanted_for and body.wanted_for not in known.wanted_for:
            known.wanted_for = "; ".join(filter(None, (known.wanted_for, body.wanted_for)))
        return known
    order = new_order(unit, supplier, body.kind)
    order.wanted_for, order.return_by = body.wanted_for, body.return_by
    return order


def new_order(unit: Unit, supplier: str, kind: str) -> SupplyOrder:
    """Start a draft of a kind for a supplier."""
    order = SupplyOrder(
        site_id=unit.site_id,
        reference=next_order_reference(unit, kind),
        supplier=supplier,
        kind=kind,
        ownership=OWNERSHIP_OF[kind],
        made_at=unit.now,
        made_by=unit.actor,
        version=0,
    )
    unit.session.add(order)
    unit.session.flush()
    return order


def _require_currency(order: SupplyOrder, item: Item, pointer: str) -> None:
    """Take the currency of the first price; a second one is refused."""
    if item.currency is None or order.kind in {"loan", "call_off"}:
        return
    if order.currency is None:
        order.currency = item.currency
    if order.currency != item.currency:
        reason = (
            f"{item.ref} has its price in {item.currency}, order {order.reference} is in "
            f"{order.currency}: send that order first, or remove the line"
        )
        raise BadInput("Nothing was saved.", faults=[FieldFault(pointer, reason)])


def _add(unit: Unit, order: SupplyOrder, item: Item, wanted: int, why: Iterable[str]) -> None:
    line = orders.line_of(unit.session, order.id or 0, item_key(item))
    if line is None:
        line = OrderLine(
            order_id=order.id or 0,
            item_id=item_key(item),
            quantity=whole_packs(wanted, item.pack_quantity),
            wanted=wanted,
            unit_price_minor=catalogue_price(order, item),
            why=list(dict.fromkeys(why)),
        )
        unit.session.add(line)
    else:
        line.wanted += wanted
        line.quantity = whole_packs(line.wanted, item.pack_quantity)
        line.why = list(dict.fromkeys([*line.why, *why]))
    unit.session.flush()


def change_order(unit: Unit, reference: str, body: EditBody, version: int) -> OrderOut:
    """Change a draft, or an approved order: that has to be approved again.

    Raises
    ------
    BadInput
        When a REF is unknown; when a bill-only order would pay for other units than were used; when
        a price has no currency.
    Conflict
        When the order has been sent.
    """
    order = require_editable(unit, reference, version, "change")
    known = {item.ref: line for line, item in order_lines(unit, order)}
    if order.kind == "bill_only":
        _refuse_other_uses(body, known)
    for ref, line in known.items():
        if ref not in {one.ref for one in body.lines}:
            unit.session.delete(line)
    order.currency = body.currency or (order.currency if "currency" not in _set(body) else None)
    for place, wanted in enumerate(body.lines):
        item = require_item(unit, wanted.ref, f"/lines/{place}/ref")
        _set_line(unit, order, item, wanted, known.get(wanted.ref), place)
    order.note, order.wanted_for = body.note, body.wanted_for
    if order.kind == "loan":
        order.return_by = body.return_by
    elif body.return_by is not None:
        reason = "only a loan has a return date"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/return_by", reason)])
    order.state, order.approved_at, order.approved_by = "draft", None, ""
    order.version += 1
    unit.session.flush()
    return order_out(unit, order)


def _set(body: EditBody | EditLine) -> set[str]:
    return body.model_fields_set


def _refuse_other_uses(body: EditBody, known: dict[str, OrderLine]) -> None:
    asked = {line.ref: line.quantity for line in body.lines}
    if asked != {ref: line.quantity for ref, line in known.items()}:
        reason = "on a bill-only order only prices can be changed; otherwise cancel it"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/lines", reason)])


def _set_line(  # noqa: PLR0917 - one line of an edit
    unit: Unit,
    order: SupplyOrder,
    item: Item,
    wanted: EditLine,
    line: OrderLine | None,
    place: int,
) -> None:
    if line is None:
        _require_currency(order, item, f"/lines/{place}/ref")
        line = OrderLine(
            order_id=order.id or 0,
            item_id=item_key(item),
            quantity=wanted.quantity,
            wanted=wanted.quantity,
            unit_price_minor=catalogue_price(order, item),
        )
        unit.session.add(line)
    if order.kind != "bill_only":
        line.wanted = wanted.quantity
        line.quantity = whole_packs(wanted.quantity, item.pack_quantity)
    if "unit_price_minor" in _set(wanted):
        line.unit_price_minor = wanted.unit_price_minor
    if wanted.why is not None:
        line.why = wanted.why
    if line.unit_price_minor is not None and order.currency is None:
        reason = "a price needs a currency: enter the currency of the order"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/currency", reason)])


def unbilled(unit: Unit) -> BillOnly:
    """Return what was used of consigned stock and is on no order yet, by supplier."""
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
        order = _bill_draft(unit, item)
        touched[order.reference] = order
        line = _line_of(unit, order, item, row.quantity)
        unit.session.add(BilledUse(movement_seq=row.seq, line_id=line.id or 0))
        unit.session.flush()
    for order in touched.values():
        order.version += 1
    unit.session.flush()
    return Orders(orders=[order_out(unit, order) for order in touched.values()])


def _bill_draft(unit: Unit, item: Item) -> SupplyOrder:
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
            why=["consignment units used"],
        )
        unit.session.add(line)
        unit.session.flush()
        return line
    line.quantity += quantity
    line.wanted += quantity
    return line
