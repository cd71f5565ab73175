"""When an order is due, and from when its units can be used."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from service.core.calendar import Calendar, arrival_day
from service.core.deadlines import last_moment_on, local_moment
from service.core.supply_figures import supply_figures
from service.errors import BadInput, FieldFault
from service.operations.planner import planner_of
from service.operations.unit import Unit
from service.storage.queries import suppliers
from service.storage.tables import Item, OrderLine, SupplyOrder

__all__ = ["Due", "calendar_of", "due_of", "ready", "set_due"]

_LAST_MINUTE = 24 * 60 - 1


@dataclass(frozen=True, slots=True)
class Due:
    """When units come at the latest, and from when they can be used; in UTC."""

    due_at: datetime
    usable_from: datetime


def calendar_of(unit: Unit, supplier: str) -> Calendar:
    """Give the days of a supplier, with the site's holidays; every day where nothing is known."""
    holidays = suppliers.holiday_dates(unit.session, unit.site_id)
    known = suppliers.find_supplier(unit.session, supplier)
    if known is None:
        return Calendar(holidays=holidays)
    return Calendar(known.works_on, holidays, known.cut_off_minute)


def due_of(unit: Unit, order: SupplyOrder, item: Item) -> Due | None:
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
    return Due(due_at, ready(unit, item, due_at))


def ready(unit: Unit, item: Item, due_at: datetime) -> datetime:
    """Give the moment from which units can be used that come at a moment.

    What comes unsterile is reprocessed first; anything else is unpacked and booked in.
    """
    figures = supply_figures(planner_of(unit).values)
    hours = figures.delivery_receiving_hours
    if not item.supplied_sterile:
        hours = figures.loan_reprocessing_hours
    return due_at + timedelta(hours=hours)


def set_due(unit: Unit, order: SupplyOrder, pairs: list[tuple[OrderLine, Item]]) -> None:
    """Set the moments of an order that is sent now; lines that come sooner keep their own.

    Raises
    ------
    BadInput
        Names every item without a lead time.
    """
    found = [(line, due_of(unit, order, item)) for line, item in pairs]
    absent = [item.ref for (_, item), (_, due) in zip(pairs, found, strict=True) if due is None]
    if absent:
        reason = f"no lead time is known for {', '.join(absent)}: say when the order is due"
        raise BadInput("Nothing was sent.", faults=[FieldFault("/due_at", reason)])
    known = [(line, due) for line, due in found if due is not None]
    latest = max((due for _, due in known), key=lambda due: (due.due_at, due.usable_from))
    usable_from = max(due.usable_from for _, due in known)
    order.due_at, order.usable_from = latest.due_at, usable_from
    for line, due in known:
        is_same = (due.due_at, due.usable_from) == (order.due_at, order.usable_from)
        line.due_at = None if is_same else due.due_at
        line.usable_from = None if is_same else due.usable_from
