"""What is decided about an order: approved, sent, due at another moment, cancelled, let go."""

from service.errors import BadInput, Conflict, FieldFault
from service.operations.orders.finding import editable, line_named, lines, outstanding, the_order
from service.operations.orders.timing import ready, set_due
from service.operations.orders.viewing import order_out
from service.operations.schemas.orders import (
    CancelBody,
    DueBody,
    LetGoBody,
    SendBody,
)
from service.operations.schemas.orders_out import OrderOut
from service.operations.unit import Unit
from service.storage.queries import orders
from service.storage.tables import OrderLine, SupplyOrder

__all__ = ["approve", "cancel", "close_if_done", "let_go", "send", "set_moments"]


def approve(unit: Unit, reference: str, version: int) -> OrderOut:
    """Approve a draft as it was read; who approved it is kept, also when it is who made it."""
    order = editable(unit, reference, version, "draft")
    if not lines(unit, order):
        raise Conflict(f"Order {reference} has no lines; there is nothing to approve.")
    if order.kind == "loan" and order.return_by is None:
        reason = "say when the loan goes back, then approve it"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/return_by", reason)])
    order.state, order.approved_at, order.approved_by = "approved", unit.now, unit.actor
    return _changed(unit, order)


def send(unit: Unit, reference: str, body: SendBody, version: int) -> OrderOut:
    """Send an approved order: from now on it is on its way, and due.

    Without moments given they follow from lead times and the supplier's days; a bill-only order
    brings nothing and is never due.
    """
    order = editable(unit, reference, version, "approved")
    pairs = lines(unit, order)
    if order.kind != "bill_only":
        if body.due_at is None:
            set_due(unit, order, pairs)
        else:
            due_at = unit.moment(body.due_at)
            usable = max(ready(unit, item, due_at) for _, item in pairs)
            given = unit.moment(body.usable_from) if body.usable_from else usable
            order.due_at, order.usable_from = due_at, given
        _require_order_of_moments(unit, order)
    order.state, order.sent_at, order.sent_by = "sent", unit.now, unit.actor
    return _changed(unit, order)


def set_moments(unit: Unit, reference: str, body: DueBody, version: int) -> OrderOut:
    """Note the moment a supplier has named for a sent order, or for one of its lines."""
    order = editable(unit, reference, version, "sent")
    if order.kind == "bill_only":
        raise Conflict(f"Order {reference} pays for what was used; nothing of it is on its way.")
    due_at = unit.moment(body.due_at)
    pairs = lines(unit, order)
    named = pairs if body.ref is None else [line_named(unit, order, body.ref, "/ref")]
    usable = max(ready(unit, item, due_at) for _, item in named)
    usable_from = unit.moment(body.usable_from) if body.usable_from else usable
    if usable_from < due_at:
        reason = "it cannot be used before it is due"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/usable_from", reason)])
    if body.ref is None:
        order.due_at, order.usable_from = due_at, usable_from
    for line, _ in named:
        line.due_at = None if body.ref is None else due_at
        line.usable_from = None if body.ref is None else usable_from
    return _changed(unit, order)


def _require_order_of_moments(unit: Unit, order: SupplyOrder) -> None:
    if order.due_at is None or order.usable_from is None:
        message = "an order that is sent has its moments"
        raise RuntimeError(message)
    if order.due_at < unit.now:
        reason = "an order that is sent now cannot be due in the past"
        raise BadInput("Nothing was sent.", faults=[FieldFault("/due_at", reason)])
    if order.usable_from < order.due_at:
        reason = "it cannot be used before it is due"
        raise BadInput("Nothing was sent.", faults=[FieldFault("/usable_from", reason)])
    if order.return_by is not None and order.return_by <= unit.local(order.usable_from).date():
        day = unit.local(order.usable_from).date()
        reason = f"it goes back on {order.return_by} and could be used from {day} only"
        raise BadInput("Nothing was sent.", faults=[FieldFault("/return_by", reason)])


def cancel(unit: Unit, reference: str, body: CancelBody) -> OrderOut:
    """Cancel an order of which nothing came; what a bill-only order paid for is unpaid again."""
    order = the_order(unit, reference)
    if order.state in {"received", "cancelled"}:
        raise Conflict(f"Order {reference} is {order.state} already.")
    pairs = lines(unit, order)
    came = sum(line.received for line, _ in pairs)
    if came:
        raise Conflict(
            f"{came} units of order {reference} have come; let go of what is outstanding instead."
        )
    if order.kind == "bill_only":
        orders.forget_uses(unit.session, [line.id or 0 for line, _ in pairs])
    _close(unit, order, "cancelled", body.reason)
    return _changed(unit, order)


def let_go(unit: Unit, reference: str, body: LetGoBody) -> OrderOut:
    """Expect no longer what is outstanding, all of it or that of some items.

    Raises
    ------
    Conflict
        When nothing named is outstanding.
    """
    order = the_order(unit, reference)
    if order.state != "sent":
        raise Conflict(f"Order {reference} is {order.state}: nothing of it is on its way.")
    pairs = (
        [line_named(unit, order, ref, f"/refs/{place}") for place, ref in enumerate(body.refs)]
        if body.refs
        else lines(unit, order)
    )
    left = {line.id: outstanding(order, line) for line, _ in pairs}
    if not any(left.values()):
        raise Conflict(f"Nothing named of order {reference} is outstanding.")
    for line, _ in pairs:
        line.let_go += left[line.id]
    unit.session.flush()
    close_if_done(unit, order, f"let go: {body.reason}")
    return _changed(unit, order)


def close_if_done(unit: Unit, order: SupplyOrder, why: str) -> None:
    """Close an order of which nothing is outstanding: received when something came."""
    rows: list[OrderLine] = [line for line, _ in lines(unit, order)]
    if not any(outstanding(order, line) for line in rows):
        came = any(line.received for line in rows)
        _close(unit, order, "received" if came else "cancelled", why)


def _close(unit: Unit, order: SupplyOrder, state: str, why: str) -> None:
    order.state = state
    order.closed_at, order.closed_by, order.closed_why = unit.now, unit.actor, why


def _changed(unit: Unit, order: SupplyOrder) -> OrderOut:
    order.version += 1
    unit.session.flush()
    return order_out(unit, order)
