"""Receiving: what came is checked, put on its shelf and taken off what is outstanding, at once."""

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TypeVar

from service.core.supply_figures import SUPPLY_FIGURES
from service.errors import BadInput, Conflict, FieldFault
from service.operations.catalogue import the_item
from service.operations.codes import code_of, read_code
from service.operations.ledger import MOVEMENT_PERMISSIONS, refuse_tray
from service.operations.orders.deciding import close_if_done
from service.operations.orders.finding import lines, outstanding, the_order
from service.operations.orders.viewing import order_out
from service.operations.planner import planner_of
from service.operations.rules import require
from service.operations.schemas.orders import ReceiptBody, ReceiptLine
from service.operations.schemas.orders_out import OrderOut
from service.operations.schemas.stock import ReceiveBody
from service.operations.stock import find_place, item_key, receive
from service.operations.unit import Unit
from service.storage.queries import codes, loans, orders, stock
from service.storage.tables import Item, OrderLine, OrderReceipt, SupplyOrder

__all__ = ["SHORT_DATED", "receive_order"]

SHORT_DATED = "short_dated_days"


@dataclass(frozen=True, slots=True)
class _Came:
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
    require(unit.caller, MOVEMENT_PERMISSIONS["receive"])
    order = the_order(unit, reference)
    if order.state != "sent" or order.kind == "bill_only":
        raise Conflict(f"Order {reference} is {order.state}: nothing of it is on its way.")
    faults: list[FieldFault] = []
    for place, line in enumerate(body.lines):
        try:
            _take(unit, order, _read(unit, line))
        except BadInput as error:
            faults += [_at(place, fault) for fault in error.faults]
    if faults:
        raise BadInput("Nothing was received.", faults=faults)
    close_if_done(unit, order, "everything came")
    order.version += 1
    unit.session.flush()
    return order_out(unit, order)


def _at(place: int, fault: FieldFault) -> FieldFault:
    return FieldFault(f"/lines/{place}{fault.pointer}", fault.reason)


def _refuse(field: str, reason: str) -> BadInput:
    return BadInput("Nothing was received.", faults=[FieldFault(f"/{field}", reason)])


def _read(unit: Unit, line: ReceiptLine) -> _Came:
    """Read what came; where a label and typing both say something, they must agree."""
    if line.raw is None:
        item = the_item(unit, line.ref or "", "/ref")
        return _Came(item, line.lot, line.serial, line.use_by, line)
    scan = read_code(unit, line.raw, line.second)
    code = code_of(scan)
    if code is None:
        raise _refuse("raw", scan.problem or "this code names no item: scan its primary code, too")
    found = codes.item_of_code(unit.session, code)
    if found is None:
        raise _refuse("raw", f"no item has code {code}; learn the code, or type the REF")
    if line.ref is not None and line.ref != found.ref:
        raise _refuse("ref", f"the label says {found.ref}")
    return _Came(
        found,
        _agreed("lot", line.lot, scan.lot),
        _agreed("serial", line.serial, scan.serial),
        _agreed("use_by", line.use_by, scan.use_by),
        line,
    )


Said = TypeVar("Said", str, date)


def _agreed(name: str, typed: Said | None, printed: Said | None) -> Said | None:
    """Give what the label says, or else what was typed; they must not differ."""
    if typed is not None and printed is not None and typed != printed:
        raise _refuse(name, f"the label says {printed}")
    return typed if printed is None else printed


def _take(unit: Unit, order: SupplyOrder, came: _Came) -> None:
    """Put the units of one line on their shelf, with a line of the ledger and one of the order."""
    line = _line_of(unit, order, came.item)
    _check_quantity(order, line, came)
    if came.lot is None and came.serial is None:
        raise _refuse("lot", "say the lot or the serial: a recall must find it")
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
    _renew_loan(unit, order, came)
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
    """Give the order's line for an item, or say which order expects it."""
    for line, ordered in lines(unit, order):
        if ordered.id == item.id:
            return line
    others = orders.expecting(unit.session, unit.site_id, item_key(item))
    where = f"order {' and '.join(others)} expects it" if others else "no order expects it"
    raise _refuse("ref", f"{item.ref} is not on order {order.reference}; {where}")


def _check_quantity(order: SupplyOrder, line: OrderLine, came: _Came) -> None:
    left = outstanding(order, line)
    if came.line.quantity > left and not came.line.take_surplus:
        reason = (
            f"{left} of {came.item.ref} outstanding, {came.line.quantity} came: send the rest "
            "back, or take the surplus knowingly"
        )
        raise _refuse("quantity", reason)


def _check_serial(unit: Unit, item: Item, serial: str, quantity: int) -> None:
    """Refuse a serial that is here, or that left for good; one that went back may come again."""
    if quantity != 1:
        raise _refuse("quantity", "one serial is one unit")
    for row in loans.serial_lots(unit.session, item_key(item), serial):
        if row.there:
            raise _refuse("serial", f"serial {serial} of {item.ref} is in stock already")
        went_back = row.kind == "loan_out" or row.corrects_seq is not None
        if row.kind is not None and not went_back:
            reason = f"serial {serial} of {item.ref} was here and left for good ({row.kind})"
            raise _refuse("serial", f"{reason}: check the label")


def _check_dates(unit: Unit, came: _Came) -> str:
    """Refuse what is expired, and what is short-dated without a reason; give the reason."""
    if came.use_by is None:
        return ""
    if came.use_by < unit.today:
        raise _refuse("use_by", f"expired on {came.use_by}: an expired pack is never received")
    usual = SUPPLY_FIGURES[SHORT_DATED].value
    days = int(planner_of(unit).values.get(SHORT_DATED, usual))
    if came.use_by >= unit.today + timedelta(days=days):
        return ""
    if came.line.although is None:
        reason = (
            f"expires on {came.use_by}, in less than {days} days: send it back, or say why it is "
            "taken all the same"
        )
        raise _refuse("use_by", reason)
    return f"; short-dated, taken although: {came.line.although}"


def _renew_loan(unit: Unit, order: SupplyOrder, came: _Came) -> None:
    """Let units that went back come again: with a new date to go back, and unsterile if need be."""
    key = (item_key(came.item), came.lot or "", came.serial or "", order.ownership)
    lot = stock.find_lot(unit.session, *key)
    if lot is None or order.ownership != "loan" or loans.there_is(unit.session, lot.id or 0):
        return
    lot.return_by, lot.use_by = order.return_by, came.use_by
    lot.sterility = "sterile" if came.item.supplied_sterile else "unsterile"
    unit.session.flush()
