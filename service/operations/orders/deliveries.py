"""What is on its way, noted by hand or from a file, as orders that have been sent."""

from dataclasses import dataclass
from datetime import date, datetime

from service.errors import BadInput, Duplicate, FieldFault
from service.operations.catalogue import the_item
from service.operations.schemas.stock import DeliveryBody, DeliveryOut
from service.operations.stock import delivery_out, item_key
from service.operations.unit import Unit
from service.storage.queries import orders
from service.storage.tables import Item, OrderLine, SupplyOrder

__all__ = ["KIND_OF", "Expected", "add_delivery", "catalogue_price", "line_for", "misfit", "sent"]

#: Which kind of order brings units of an ownership.
KIND_OF = {"owned": "purchase", "loan": "loan", "consigned": "call_off"}


@dataclass(frozen=True, slots=True)
class Expected:
    """Units of one item on their way; moments in UTC, an unnamed supplier is ``None``."""

    reference: str
    ref: str
    quantity: int
    ownership: str
    due_at: datetime
    usable_from: datetime
    return_by: date | None
    supplier: str | None


def add_delivery(unit: Unit, body: DeliveryBody) -> DeliveryOut:
    """Note what is on its way: an order that has been sent, or one more line of it.

    A loan is unsterile until it has been reprocessed here.
    """
    item = the_item(unit, body.ref, "/ref")
    expected = _read(unit, body)
    order = orders.find_order(unit.session, unit.site_id, body.reference)
    if order is None:
        order = sent(unit, expected, item)
        unit.session.add(order)
        unit.session.flush()
    else:
        _refuse_misfit(unit, order, expected, item)
        order.version += 1
    line = line_for(order, expected, item)
    unit.session.add(line)
    unit.session.flush()
    return delivery_out(
        unit,
        {
            "reference": order.reference,
            "ref": item.ref,
            "description": item.description,
            "quantity": line.quantity,
            "ownership": order.ownership,
            "due_at": expected.due_at,
            "usable_from": expected.usable_from,
            "return_by": order.return_by,
            "supplier": order.supplier,
        },
    )


def _read(unit: Unit, body: DeliveryBody) -> Expected:
    if body.ownership == "loan" and body.usable_from is None:
        reason = "a loan comes unsterile: say from when it can be used"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/usable_from", reason)])
    due_at = unit.moment(body.due_at)
    usable_from = unit.moment(body.usable_from) if body.usable_from else due_at
    if usable_from < due_at:
        reason = "it cannot be used before it is due"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/usable_from", reason)])
    return Expected(
        body.reference,
        body.ref,
        body.quantity,
        body.ownership,
        due_at,
        usable_from,
        body.return_by,
        body.supplier,
    )


def _refuse_misfit(unit: Unit, order: SupplyOrder, expected: Expected, item: Item) -> None:
    if orders.line_of(unit.session, order.id or 0, item_key(item)) is not None:
        raise Duplicate(f"Delivery {expected.reference} has {expected.ref} already.")
    wrong = misfit(order, expected)
    if wrong is not None:
        raise BadInput("Nothing was saved.", faults=[FieldFault(f"/{wrong[0]}", wrong[1])])


def misfit(order: SupplyOrder, expected: Expected) -> tuple[str, str] | None:
    """Say in which field and why units cannot come with an order, or ``None`` when they can."""
    if order.state != "sent" or order.kind == "bill_only":
        return "reference", f"order {order.reference} is {order.state}: nothing of it is on its way"
    theirs = (
        ("ownership", order.ownership, expected.ownership),
        ("return_by", order.return_by, expected.return_by),
        ("supplier", order.supplier, expected.supplier or order.supplier),
    )
    for name, there, here in theirs:
        if there != here:
            what = f"order {order.reference} has {name} {there or 'none'}"
            return name, f"{what}; use another reference for these"
    return None


def sent(unit: Unit, expected: Expected, item: Item) -> SupplyOrder:
    """Make the order that units come with; who sent it, and when, is not known."""
    return SupplyOrder(
        site_id=unit.site_id,
        reference=expected.reference,
        supplier=expected.supplier or item.supplier,
        kind=KIND_OF[expected.ownership],
        ownership=expected.ownership,
        state="sent",
        currency=item.currency,
        due_at=expected.due_at,
        usable_from=expected.usable_from,
        return_by=expected.return_by,
        made_at=unit.now,
        made_by=unit.actor,
    )


def line_for(order: SupplyOrder, expected: Expected, item: Item) -> OrderLine:
    """Make the line of an order for units on their way; its moments are the order's, or its own."""
    same = (order.due_at, order.usable_from) == (expected.due_at, expected.usable_from)
    return OrderLine(
        order_id=order.id or 0,
        item_id=item_key(item),
        quantity=expected.quantity,
        wanted=expected.quantity,
        unit_price_minor=catalogue_price(order, item),
        due_at=None if same else expected.due_at,
        usable_from=None if same else expected.usable_from,
    )


def catalogue_price(order: SupplyOrder, item: Item) -> int | None:
    """Give an item's price as the order would pay it; unknown for a loan or another currency."""
    pays = order.kind in {"purchase", "bill_only"}
    return item.unit_price_minor if pays and item.currency == order.currency else None
