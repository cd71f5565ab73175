"""What is decided about an order: approved, sent, due at another moment, cancelled, let go."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from service.core.shortfalls.deadlines import Calendar, arrival_day, last_moment_on, local_moment
from service.core.sizing.figures import supply_figures
from service.errors import BadInput, Conflict, FieldFault
from service.operations.orders.orders import (
    order_lines,
    outstanding_units,
    require_editable,
    require_line,
    require_order,
)
from service.operations.orders.states import order_allows
from service.operations.orders.view import order_out
from service.operations.planner import planner_of
from service.operations.stock.waiting import recheck_waiting
from service.operations.work import Unit
from service.schemas.orders import CancelBody, CancelRemainingBody, DueBody, OrderOut, SendBody
from service.storage.queries import orders, suppliers
from service.storage.tables import Item, OrderLine, SupplyOrder


def approve_order(unit: Unit, reference: str, version: int) -> OrderOut:
    """Approve a draft as it was read; who approved it is kept, also when it is who made it."""
    order = require_editable(unit, reference, version, "approve")
    if not order_lines(unit, order):
        raise Conflict(f"Order {reference} has no lines to approve.")
    if order.kind == "loan" and order.return_by is None:
        reason = "enter the return date of the loan, then approve it"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/return_by", reason)])
    order.state, order.approved_at, order.approved_by = "approved", unit.now, unit.actor
    return _changed(unit, order)


def send_order(unit: Unit, reference: str, body: SendBody, version: int) -> OrderOut:
    """Send an approved order: from now on it is on its way, and due.

    Without moments given they follow from lead times and the supplier's days; a bill-only order
    brings nothing and is never due.
    """
    order = require_editable(unit, reference, version, "send")
    pairs = order_lines(unit, order)
    if order.kind != "bill_only":
        if body.due_at is None:
            set_sent_moments(unit, order, pairs)
        else:
            due_at = unit.moment(body.due_at)
            usable = max(usable_from_of(unit, item, due_at) for _, item in pairs)
            given = unit.moment(body.usable_from) if body.usable_from else usable
            order.due_at, order.usable_from = due_at, given
        _require_order_of_moments(unit, order)
    order.state, order.sent_at, order.sent_by = "sent", unit.now, unit.actor
    return _changed(unit, order)


def set_due_moments(unit: Unit, reference: str, body: DueBody, version: int) -> OrderOut:
    """Note the moment a supplier has named for a sent order, or for one of its lines."""
    order = require_editable(unit, reference, version, "receive")
    if order.kind == "bill_only":
        raise Conflict(f"Order {reference} is bill-only: nothing is delivered.")
    due_at = unit.moment(body.due_at)
    pairs = order_lines(unit, order)
    named = pairs if body.ref is None else [require_line(unit, order, body.ref, "/ref")]
    usable = max(usable_from_of(unit, item, due_at) for _, item in named)
    usable_from = unit.moment(body.usable_from) if body.usable_from else usable
    if usable_from < due_at:
        reason = "it cannot be usable before it is due"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/usable_from", reason)])
    if body.ref is None:
        order.due_at, order.usable_from = due_at, usable_from
    for line, _ in named:
        line.due_at = None if body.ref is None else due_at
        line.usable_from = None if body.ref is None else usable_from
    return _no_longer_due(unit, order)


def _no_longer_due(unit: Unit, order: SupplyOrder) -> OrderOut:
    """Return an order that may not come in time, or at all; cases that wait for it are checked."""
    out = _changed(unit, order)
    recheck_waiting(unit, [item.ref for _, item in order_lines(unit, order)])
    return out


def _require_order_of_moments(unit: Unit, order: SupplyOrder) -> None:
    if order.due_at is None or order.usable_from is None:
        message = "an order that has been sent needs its delivery dates"
        raise RuntimeError(message)
    if order.due_at < unit.now:
        reason = "the due date of an order sent now cannot be in the past"
        raise BadInput("Nothing was sent.", faults=[FieldFault("/due_at", reason)])
    if order.usable_from < order.due_at:
        reason = "it cannot be usable before it is due"
        raise BadInput("Nothing was sent.", faults=[FieldFault("/usable_from", reason)])
    if order.return_by is not None and order.return_by <= unit.local(order.usable_from).date():
        day = unit.local(order.usable_from).date()
        reason = f"it is due back on {order.return_by} and would be usable only from {day}"
        raise BadInput("Nothing was sent.", faults=[FieldFault("/return_by", reason)])


def cancel_order(unit: Unit, reference: str, body: CancelBody) -> OrderOut:
    """Cancel an order of which nothing came; what a bill-only order paid for is unpaid again."""
    order = require_order(unit, reference)
    if not order_allows(order.state, "cancel"):
        raise Conflict(f"Order {reference} is already {order.state}.")
    pairs = order_lines(unit, order)
    came = sum(line.received for line, _ in pairs)
    if came:
        raise Conflict(
            f"{came} units of order {reference} have been received. Cancel the remaining units "
            "instead."
        )
    if order.kind == "bill_only":
        orders.forget_uses(unit.session, [line.id or 0 for line, _ in pairs])
    _close(unit, order, "cancelled", body.reason)
    return _no_longer_due(unit, order)


def cancel_remaining(unit: Unit, reference: str, body: CancelRemainingBody) -> OrderOut:
    """Expect no longer what is outstanding, all of it or that of some items.

    Raises
    ------
    Conflict
        When nothing named is outstanding.
    """
    order = require_order(unit, reference)
    if not order_allows(order.state, "receive"):
        raise Conflict(f"Order {reference} is {order.state}: nothing is on order.")
    pairs = (
        [require_line(unit, order, ref, f"/refs/{place}") for place, ref in enumerate(body.refs)]
        if body.refs
        else order_lines(unit, order)
    )
    left = {line.id: outstanding_units(order, line) for line, _ in pairs}
    if not any(left.values()):
        raise Conflict(f"None of these lines of order {reference} is outstanding.")
    for line, _ in pairs:
        line.let_go += left[line.id]
    unit.session.flush()
    close_if_done(unit, order, f"remaining units cancelled: {body.reason}")
    return _no_longer_due(unit, order)


def close_if_done(unit: Unit, order: SupplyOrder, why: str) -> None:
    """Close an order of which nothing is outstanding: received when something came."""
    rows: list[OrderLine] = [line for line, _ in order_lines(unit, order)]
    if not any(outstanding_units(order, line) for line in rows):
        came = any(line.received for line in rows)
        _close(unit, order, "received" if came else "cancelled", why)


def _close(unit: Unit, order: SupplyOrder, state: str, why: str) -> None:
    order.state = state
    order.closed_at, order.closed_by, order.closed_why = unit.now, unit.actor, why


def _changed(unit: Unit, order: SupplyOrder) -> OrderOut:
    order.version += 1
    unit.session.flush()
    return order_out(unit, order)


_LAST_MINUTE = 24 * 60 - 1


@dataclass(frozen=True, slots=True)
class DueMoments:
    """When units come at the latest, and from when they can be used; in UTC."""

    due_at: datetime
    usable_from: datetime


def calendar_of(unit: Unit, supplier: str) -> Calendar:
    """Return the days of a supplier, with the site's holidays; every day where nothing is known."""
    holidays = suppliers.holiday_dates(unit.session, unit.site_id)
    known = suppliers.find_supplier(unit.session, supplier)
    if known is None:
        return Calendar(holidays=holidays)
    return Calendar(known.works_on, holidays, known.cut_off_minute)


def due_moments(unit: Unit, order: SupplyOrder, item: Item) -> DueMoments | None:
    """Work out when an item of an order comes when it is sent now; ``None`` without a lead time.

    A delivery may come at any hour of its day, so it is due when the day ends.
    """
    figures = supply_figures(planner_of(unit).values)
    days = {"loan": figures.loan_lead_days, "call_off": figures.call_off_days}
    lead_time_days = days.get(order.kind, item.lead_time_days)
    if lead_time_days is None:
        return None
    calendar = calendar_of(unit, order.supplier)
    ordered_on = unit.today
    if unit.now > last_moment_on(calendar, ordered_on, unit.zone):
        ordered_on += timedelta(days=1)
    day = arrival_day(calendar, ordered_on, lead_time_days)
    due_at = local_moment(day, _LAST_MINUTE, unit.zone)
    return DueMoments(due_at, usable_from_of(unit, item, due_at))


def usable_from_of(unit: Unit, item: Item, due_at: datetime) -> datetime:
    """Return the moment from which units can be used that come at a moment.

    What comes unsterile is reprocessed first; anything else is unpacked and booked in.
    """
    figures = supply_figures(planner_of(unit).values)
    hours = figures.delivery_receiving_hours
    if not item.supplied_sterile:
        hours = figures.loan_reprocessing_hours
    return due_at + timedelta(hours=hours)


def set_sent_moments(unit: Unit, order: SupplyOrder, pairs: list[tuple[OrderLine, Item]]) -> None:
    """Set the moments of an order that is sent now; lines that come sooner keep their own.

    Raises
    ------
    BadInput
        Names every item without a lead time.
    """
    found = [(line, due_moments(unit, order, item)) for line, item in pairs]
    absent = [item.ref for (_, item), (_, due) in zip(pairs, found, strict=True) if due is None]
    if absent:
        reason = f"no lead time is known for {', '.join(absent)}: enter when the order is due"
        raise BadInput("Nothing was sent.", faults=[FieldFault("/due_at", reason)])
    known = [(line, due) for line, due in found if due is not None]
    latest = max((due for _, due in known), key=lambda due: (due.due_at, due.usable_from))
    usable_from = max(due.usable_from for _, due in known)
    order.due_at, order.usable_from = latest.due_at, usable_from
    for line, due in known:
        is_same = (due.due_at, due.usable_from) == (order.due_at, order.usable_from)
        line.due_at = None if is_same else due.due_at
        line.usable_from = None if is_same else due.usable_from
