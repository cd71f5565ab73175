"""Receiving: what came is checked, put on its shelf and taken off what is outstanding, at once."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TypeVar

from service.core.sizing.figures import SUPPLY_FIGURES
from service.errors import BadInput, Conflict, Duplicate, FieldFault
from service.exchange.labels.scan import Scan
from service.operations.catalogue import code_of, read_code, require_item
from service.operations.locations import find_place, item_key
from service.operations.orders.orders import order_lines, outstanding_units, require_order
from service.operations.orders.progress import close_if_done
from service.operations.orders.states import is_on_its_way
from service.operations.orders.view import order_out
from service.operations.people.permissions import require_effect
from service.operations.planner import planner_of
from service.operations.stock.movements import (
    delivery_out,
    list_stock,
    receive,
    refuse_tray,
)
from service.operations.work import Unit
from service.schemas.orders import OrderOut, ReceiptBody, ReceiptLine
from service.schemas.stock import DeliveryBody, DeliveryOut, LocationBody, ReceiveBody
from service.storage.queries import orders
from service.storage.tables import Item, OrderLine, OrderReceipt, SupplyOrder

SHORT_DATED = "short_dated_days"


@dataclass(frozen=True, slots=True)
class _ReceivedLine:
    """One line of a receipt, read from label and typing."""

    item: Item
    lot: str | None
    serial: str | None
    use_by: date | None
    line: ReceiptLine


def receive_order(unit: Unit, reference: str, body: ReceiptBody) -> OrderOut:
    """Receive what came for a sent order: all lines of the receipt, or none.

    Raises
    ------
    BadInput
        Names each line that is refused and why: not on this order (and which order expects it),
        expired, short-dated without a reason, recalled, more than is outstanding, a serial that is
        known, a label that cannot be read.
    Conflict
        When nothing of the order is on its way.
    """
    require_effect(unit.caller, None, "shelf")
    order = require_order(unit, reference)
    if not is_on_its_way(order):
        raise Conflict(f"Order {reference} is {order.state}: nothing is on order.")
    faults: list[FieldFault] = []
    for place, line in enumerate(body.lines):
        try:
            _take(unit, order, _received_from(unit, line))
        except BadInput as error:
            faults += [_at(place, fault) for fault in error.faults]
    if faults:
        raise BadInput("Nothing was received.", faults=faults)
    close_if_done(unit, order, "everything received")
    order.version += 1
    unit.session.flush()
    return order_out(unit, order)


def _at(place: int, fault: FieldFault) -> FieldFault:
    return FieldFault(f"/lines/{place}{fault.pointer}", fault.reason)


def _refuse(field: str, reason: str) -> BadInput:
    return BadInput("Nothing was received.", faults=[FieldFault(f"/{field}", reason)])


def _received_from(unit: Unit, line: ReceiptLine) -> _ReceivedLine:
    """Read what came; where a label and typing both say something, they must agree."""
    if line.raw is None:
        item = require_item(unit, line.ref or "", "/ref")
        return _ReceivedLine(item, line.lot, line.serial, line.use_by, line)
    scan = read_code(unit, line.raw, line.second)
    code = code_of(scan)
    if code is None:
        raise _refuse(
            "raw", scan.problem or "this code does not give the item: scan the primary code as well"
        )
    found = planner_of(unit).item_of_code(code)
    if found is None:
        raise _refuse("raw", f"code {code} is not linked to an item; link it, or type the REF")
    if line.ref is not None and line.ref != found.ref:
        raise _refuse("ref", f"the label says {found.ref}")
    return _ReceivedLine(
        found,
        _agreed("lot", line.lot, scan.lot),
        _agreed("serial", line.serial, scan.serial),
        _agreed("use_by", line.use_by, scan.use_by),
        line,
    )


Said = TypeVar("Said", str, date)


def _agreed(name: str, typed: Said | None, printed: Said | None) -> Said | None:
    """Return what the label says, or else what was typed; they must not differ."""
    if typed is not None and printed is not None and typed != printed:
        raise _refuse(name, f"the label says {printed}")
    return typed if printed is None else printed


def _take(unit: Unit, order: SupplyOrder, came: _ReceivedLine) -> None:
    """Put the units of one line on their shelf, with a line of the ledger and one of the order."""
    line = _line_of(unit, order, came.item)
    _check_quantity(order, line, came)
    if came.lot is None and came.serial is None:
        raise _refuse("lot", "enter the lot or the serial, so that it can be found in a recall")
    if came.serial is not None:
        _check_serial(unit, came.item, came.serial, came.line.quantity)
    reason = _check_dates(unit, came)
    refuse_tray(unit, find_place(unit, came.line.to, "/to"))
    body = ReceiveBody(
        kind="receive",
        ref=came.item.ref,
        lot=came.lot,
        serial=came.serial,
        ownership=order.ownership,
        quantity=came.line.quantity,
        to=came.line.to,
        use_by=came.use_by,
        return_by=order.return_by,
    )
    said = f"order {order.reference}{reason}"
    movement = receive(unit, came.item, body, reason=said)
    line.received += came.line.quantity
    unit.session.add(
        OrderReceipt(
            line_id=line.id or 0,
            movement_seq=movement.seq or 0,
            quantity=came.line.quantity,
            at=unit.now,
            actor=unit.actor,
        )
    )
    unit.session.flush()


def _line_of(unit: Unit, order: SupplyOrder, item: Item) -> OrderLine:
    """Return the order's line for an item, or say which order expects it."""
    for line, ordered in order_lines(unit, order):
        if ordered.id == item.id:
            return line
    others = orders.expecting(unit.session, unit.site_id, item_key(item))
    where = f"order {' and '.join(others)} has it" if others else "it is not on any order"
    raise _refuse("ref", f"{item.ref} is not on order {order.reference}; {where}")


def _check_quantity(order: SupplyOrder, line: OrderLine, came: _ReceivedLine) -> None:
    left = outstanding_units(order, line)
    if came.line.quantity > left and not came.line.take_surplus:
        reason = (
            f"{left} of {came.item.ref} outstanding, {came.line.quantity} received: send the extra "
            "back, or accept the extra"
        )
        raise _refuse("quantity", reason)


def _check_serial(unit: Unit, item: Item, serial: str, quantity: int) -> None:
    """Refuse a serial that is here, or that left for good; one that went back may come again."""
    if quantity != 1:
        raise _refuse("quantity", "a serial is for one unit only")
    for row in orders.serial_lots(unit.session, item_key(item), serial):
        if row.there:
            raise _refuse("serial", f"serial {serial} of {item.ref} is already in stock")
        went_back = row.kind == "loan_out" or row.corrects_seq is not None
        if row.kind is not None and not went_back:
            reason = (
                f"serial {serial} of {item.ref} was at this site and has left stock ({row.kind})"
            )
            raise _refuse("serial", f"{reason}: check the label")


def _check_dates(unit: Unit, came: _ReceivedLine) -> str:
    """Refuse what is expired, and what is short-dated without a reason; give the reason."""
    if came.use_by is None:
        return ""
    if came.use_by < unit.today:
        raise _refuse(
            "use_by", f"its use-by date was {came.use_by}: an expired pack is never received"
        )
    usual = SUPPLY_FIGURES[SHORT_DATED].value
    days = int(planner_of(unit).values.get(SHORT_DATED, usual))
    if came.use_by >= unit.today + timedelta(days=days):
        return ""
    if came.line.although is None:
        reason = (
            f"use by {came.use_by}, in less than {days} days: send it back, or enter the reason "
            "for accepting it"
        )
        raise _refuse("use_by", reason)
    return f"; short-dated, accepted: {came.line.although}"


_MOST = 100


@dataclass(frozen=True, slots=True)
class ArrivalLabel:
    """What a label says about something that has come for an order.

    Parameters
    ----------
    refused
        Why it cannot be received with this order, in a sentence; empty when it can.
    waits
        Whether its other code has to be scanned, too.
    """

    ref: str = ""
    lot: str = ""
    serial: str = ""
    use_by: date | None = None
    refused: str = ""
    waits: bool = False


def read_label(unit: Unit, reference: str, raw: str, second: str) -> ArrivalLabel:
    """Read the code of a pack that has come; nothing is saved.

    Parameters
    ----------
    raw
        As it was scanned, or typed.
    second
        The code of the same label that was read before and did not say everything; empty for none.
    """
    order = require_order(unit, reference)
    scan = read_code(unit, raw, second or None)
    if scan.needs_primary:
        return ArrivalLabel(waits=True)
    code = code_of(scan)
    if code is None:
        return ArrivalLabel(refused=scan.problem or "This code does not give an item.")
    item = planner_of(unit).item_of_code(code)
    if item is None:
        return ArrivalLabel(
            refused=(
                f"Code {code} is not linked to an item. Type REF, lot and use-by date in a line "
                "below."
            )
        )
    return ArrivalLabel(
        item.ref,
        scan.lot or "",
        scan.serial or "",
        scan.use_by,
        _refusal(unit, order, item, scan),
    )


def _refusal(unit: Unit, order: SupplyOrder, item: Item, scan: Scan) -> str:
    if all(ordered.id != item.id for _, ordered in order_lines(unit, order)):
        others = orders.expecting(unit.session, unit.site_id, item_key(item))
        where = f"order {' and '.join(others)} has it" if others else "it is not on any order"
        return f"{item.ref} is not on order {order.reference}; {where}. Put it aside."
    if scan.use_by is not None and scan.use_by < unit.today:
        return f"Expired on {scan.use_by}: an expired pack is never received. Put it aside."
    return ""


def usual_places(unit: Unit, refs: list[str]) -> dict[str, LocationBody]:
    """Return by REF the shelf where most of its units lie now; nothing for what is nowhere."""
    found = {}
    for ref in refs:
        stock = list_stock(unit, ref=ref, limit=_MOST).stock
        most = max(
            (one for one in stock if one.location_kind == "shelf"),
            key=lambda one: (one.quantity, one.store, one.shelf),
            default=None,
        )
        if most is not None:
            found[ref] = LocationBody(store=most.store, shelf=most.shelf)
    return found


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
    item = require_item(unit, body.ref, "/ref")
    expected = _expected_from(unit, body)
    order = orders.find_order(unit.session, unit.site_id, body.reference)
    if order is None:
        order = sent_order(unit, expected, item)
        unit.session.add(order)
        unit.session.flush()
    else:
        _refuse_misfit(unit, order, expected, item)
        order.version += 1
    line = delivery_line(order, expected, item)
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


def _expected_from(unit: Unit, body: DeliveryBody) -> Expected:
    if body.ownership == "loan" and body.usable_from is None:
        reason = "a loan arrives unsterile: enter when it can be used"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/usable_from", reason)])
    due_at = unit.moment(body.due_at)
    usable_from = unit.moment(body.usable_from) if body.usable_from else due_at
    if usable_from < due_at:
        reason = "it cannot be usable before it is due"
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
        raise Duplicate(f"Delivery {expected.reference} already has {expected.ref}.")
    wrong = delivery_misfit(order, expected)
    if wrong is not None:
        raise BadInput("Nothing was saved.", faults=[FieldFault(f"/{wrong[0]}", wrong[1])])


def delivery_misfit(order: SupplyOrder, expected: Expected) -> tuple[str, str] | None:
    """Say in which field and why units cannot come with an order, or ``None`` when they can."""
    if not is_on_its_way(order):
        return "reference", f"order {order.reference} is {order.state}: nothing is on order"
    theirs = (
        ("ownership", order.ownership, expected.ownership),
        ("return_by", order.return_by, expected.return_by),
        ("supplier", order.supplier, expected.supplier or order.supplier),
    )
    for name, there, here in theirs:
        if there != here:
            what = f"order {order.reference} has {name} {there or 'none'}"
            return name, f"{what}; use another reference for these units"
    return None


def sent_order(unit: Unit, expected: Expected, item: Item) -> SupplyOrder:
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


def delivery_line(order: SupplyOrder, expected: Expected, item: Item) -> OrderLine:
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
    """Return an item's price as the order would pay it; unknown for a loan or another currency."""
    pays = order.kind in {"purchase", "bill_only"}
    return item.unit_price_minor if pays and item.currency == order.currency else None
