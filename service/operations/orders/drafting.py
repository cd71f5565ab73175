"""Drafts: what is wanted, grouped by supplier, in whole packs, and changed until it is approved."""

from collections.abc import Iterable

from service.errors import BadInput, FieldFault
from service.operations.catalogue import the_item
from service.operations.orders.deliveries import catalogue_price
from service.operations.orders.finding import editable, lines, next_reference
from service.operations.orders.viewing import order_out
from service.operations.schemas.orders import DraftBody, EditBody, EditLine
from service.operations.schemas.orders_out import OrderOut, Orders
from service.operations.stock import item_key
from service.operations.unit import Unit
from service.storage.queries import orders
from service.storage.tables import Item, OrderLine, SupplyOrder

__all__ = ["OWNERSHIP_OF", "change_order", "draft", "new_order", "whole_packs"]

OWNERSHIP_OF = {
    "purchase": "owned",
    "loan": "loan",
    "call_off": "consigned",
    "bill_only": "consigned",
}


def draft(unit: Unit, body: DraftBody) -> Orders:
    """Put what is wanted on drafts, one a supplier; an open draft of the supplier is added to.

    Raises
    ------
    BadInput
        When a REF is unknown, or a supplier's items have prices in more than one currency.
    """
    touched: dict[str, SupplyOrder] = {}
    for place, wanted in enumerate(body.lines):
        pointer = f"/lines/{place}/ref"
        item = the_item(unit, wanted.ref, pointer)
        supplier = wanted.supplier or item.supplier
        order = touched.get(supplier) or _draft_of(unit, body, supplier)
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


def _draft_of(unit: Unit, body: DraftBody, supplier: str) -> SupplyOrder:
    """Give the supplier's open draft; one loan is not mixed with another case's."""
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
        reference=next_reference(unit, kind),
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
            f"{order.currency}: send that order first, or take the line off it"
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
    order = editable(unit, reference, version, "draft", "approved")
    known = {item.ref: line for line, item in lines(unit, order)}
    if order.kind == "bill_only":
        _refuse_other_uses(body, known)
    for ref, line in known.items():
        if ref not in {one.ref for one in body.lines}:
            unit.session.delete(line)
    order.currency = body.currency or (order.currency if "currency" not in _set(body) else None)
    for place, wanted in enumerate(body.lines):
        item = the_item(unit, wanted.ref, f"/lines/{place}/ref")
        _set_line(unit, order, item, wanted, known.get(wanted.ref), place)
    order.note, order.wanted_for = body.note, body.wanted_for
    if order.kind == "loan":
        order.return_by = body.return_by
    elif body.return_by is not None:
        reason = "only a loan goes back"
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
        reason = "a bill-only order pays for what was used: change its prices only, or cancel it"
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
        reason = "a price has a currency: say the order's"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/currency", reason)])
