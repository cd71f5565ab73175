"""An item's stock over the coming weeks, with its deliveries, promises and expiries."""

from collections.abc import Sequence
from datetime import timedelta
from itertools import pairwise

from service.core.projection import ProjectedDay, project
from service.operations.planner import planner_of
from service.operations.preparing import parcels
from service.operations.schemas.stock_view import ChangeOut, ProjectedDayOut, ProjectionOut
from service.operations.unit import Unit

__all__ = ["WEEKS", "projection_of"]

#: How far the page looks ahead.
WEEKS = 6


def projection_of(unit: Unit, refs: Sequence[str], weeks: int = WEEKS) -> ProjectionOut:
    """Project the stock of items that serve alike, with today's promises and deliveries.

    Returns
    -------
    ProjectionOut
        Today, and every later day on which something changes.
    """
    last = unit.today + timedelta(weeks=weeks)
    days = project(parcels(unit, set(refs)), planner_of(unit).claims, unit.today, last, unit.zone)
    telling = [days[0]]
    for before, day in pairwise(days):
        same = (before.there, before.promised, before.coming)
        if day.changes or same != (day.there, day.promised, day.coming):
            telling.append(day)
    return ProjectionOut(
        first=unit.today,
        last=last,
        there_now=days[0].there,
        days=[_day_out(one) for one in telling],
    )


def _day_out(day: ProjectedDay) -> ProjectedDayOut:
    return ProjectedDayOut(
        day=day.day,
        there=day.there,
        promised=day.promised,
        free=day.free,
        coming=day.coming,
        changes=[ChangeOut.model_validate(change) for change in day.changes],
    )
