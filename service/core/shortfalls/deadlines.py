"""The last moment to do something so that it is in time, right over a change of the clocks.

A moment is aware. Hours are counted as time that passes, so that a night in which the clocks change
is an hour shorter or longer; days are dates local to the site.
"""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo

from service.core.faults import ValueFault

_ONE_DAY = timedelta(days=1)


def local_moment(day: date, minute: int, zone: tzinfo) -> datetime:
    """Return the moment at which the site's clock shows a time of day.

    Parameters
    ----------
    day
        The date at the site.
    minute
        Minute of the day, 0 to 1439.
    zone
        The site's time zone.

    Returns
    -------
    datetime
        In UTC. A time that comes twice because the clocks go back is the first of the two. One
        that does not come because they go forward is read on the clock of after the change, which
        lies before the change. Both are the earlier reading: a deadline that is read too early
        does no harm.

    Notes
    -----
    Source: the two readings are those of PEP 495 (fold 0 and fold 1).

    Examples
    --------
    >>> local_moment(date(2031, 3, 4), 900, UTC).isoformat()
    '2031-03-04T15:00:00+00:00'
    """
    wall = datetime.combine(day, time(minute // 60, minute % 60), tzinfo=zone)
    readings = (wall.replace(fold=fold).astimezone(UTC) for fold in (0, 1))
    return min(readings)


EVERY_DAY = "1111111"


@dataclass(frozen=True, slots=True)
class Calendar:
    """On which days a lead time runs, and until when an order counts for its day.

    Parameters
    ----------
    works_on
        Monday to Sunday, ``1`` for a day on which the supplier works. With every day a working day
        lead times are calendar days, and run through holidays, too.
    holidays
        Days on which the site neither sends nor receives.
    cut_off_minute
        Minute of the local day, 0 to 1439, until which an order counts for that day; ``None``:
        until the day's last minute.

    Raises
    ------
    CalendarError
        If no day is a working day, or the cut-off is no minute of a day.

    Examples
    --------
    >>> weekdays = Calendar("1111100", frozenset({date(2031, 4, 11)}))
    >>> weekdays.is_open(date(2031, 4, 11)), weekdays.is_open(date(2031, 4, 10))
    (False, True)
    """

    works_on: str = EVERY_DAY
    holidays: Collection[date] = frozenset()
    cut_off_minute: int | None = None

    def __post_init__(self) -> None:
        fault = days_fault(self.works_on)
        if fault is not None:
            raise CalendarError("/works_on", fault)
        if self.cut_off_minute is not None and not 0 <= self.cut_off_minute <= LAST_MINUTE:
            raise CalendarError("/cut_off_minute", f"enter a minute from 0 to {LAST_MINUTE}")

    def is_open(self, day: date) -> bool:
        """Tell whether the supplier can be sent an order, and the site can receive, on a day."""
        return self.works_on[day.weekday()] == "1" and day not in self.holidays

    def counts(self, day: date) -> bool:
        """Tell whether a day of lead time passes on a day."""
        return self.works_on == EVERY_DAY or self.is_open(day)

    def open_from(self, day: date) -> date:
        """Return the first open day from a day on."""
        while not self.is_open(day):
            day += _ONE_DAY
        return day

    def open_until(self, day: date) -> date:
        """Return the last open day up to a day."""
        while not self.is_open(day):
            day -= _ONE_DAY
        return day


def last_moment_on(calendar: Calendar, day: date, zone: tzinfo) -> datetime:
    """Return the last moment at which an order still counts for a day.

    Parameters
    ----------
    day
        An open day, local to the site.

    Returns
    -------
    datetime
        The cut-off, or the day's last minute where there is none; in UTC.

    Examples
    --------
    >>> last_moment_on(Calendar(cut_off_minute=840), date(2031, 3, 4), UTC).isoformat()
    '2031-03-04T14:00:00+00:00'
    """
    minute = LAST_MINUTE if calendar.cut_off_minute is None else calendar.cut_off_minute
    return local_moment(day, minute, zone)


def hours_before(moment: datetime, hours: float) -> datetime:
    """Return the moment so many hours before another, as time passes and not as clocks show it.

    Parameters
    ----------
    moment
        Aware.
    hours
        From 0.

    Returns
    -------
    datetime
        In UTC.

    Examples
    --------
    >>> from zoneinfo import ZoneInfo
    >>> hours_before(datetime(2031, 3, 30, 8, tzinfo=ZoneInfo("Europe/London")), 8).isoformat()
    '2031-03-29T23:00:00+00:00'
    """
    return moment.astimezone(UTC) - timedelta(hours=hours)


def last_whole_day_before(moment: datetime, zone: tzinfo) -> date:
    """Return the last day at the site that has ended by a moment.

    Notes
    -----
    A delivery may come at any hour of its day; one that must be there by a moment is counted on
    only when its whole day has passed by then. Assumption, on the safe side.

    Examples
    --------
    >>> last_whole_day_before(datetime(2031, 3, 5, 4, 30, tzinfo=UTC), UTC)
    datetime.date(2031, 3, 4)
    """
    return moment.astimezone(zone).date() - _ONE_DAY


def last_order_moment(
    calendar: Calendar,
    needed_at: datetime,
    *,
    lead_time_days: int,
    preparing_hours: float,
    zone: tzinfo,
) -> datetime:
    """Return the last moment to order so that it is ready when a list starts.

    Parameters
    ----------
    needed_at
        The start of the list, aware.
    lead_time_days
        Days from order to delivery, in the calendar's days.
    preparing_hours
        Hours from the delivery until it can be used: receiving, or reprocessing.
    zone
        The site's time zone.

    Returns
    -------
    datetime
        In UTC.

    Notes
    -----
    Order by = start of the list − preparing − lead time, on an open day and before its cut-off.
    The delivery is counted on a day that has ended by then, see ``last_whole_day_before``.

    Examples
    --------
    >>> last_order_moment(Calendar("1111100", cut_off_minute=840),
    ...     datetime(2031, 3, 10, 8, 30, tzinfo=UTC), lead_time_days=2, preparing_hours=4,
    ...     zone=UTC).isoformat()
    '2031-03-05T14:00:00+00:00'
    """
    arrives_by = last_whole_day_before(hours_before(needed_at, preparing_hours), zone)
    day = latest_order_day(calendar, arrives_by, lead_time_days)
    return last_moment_on(calendar, day, zone)


#: The last minute of a day, counted from midnight.
LAST_MINUTE = 24 * 60 - 1


class CalendarError(ValueFault):
    """A calendar that cannot be used, with where and why."""


def days_fault(works_on: str) -> str | None:
    """Say what is wrong with a week of working days, or ``None`` when it can be used.

    Examples
    --------
    >>> days_fault("1111100")
    >>> days_fault("0000000")
    'a supplier needs at least one working day a week'
    """
    if len(works_on) != len(EVERY_DAY) or not set(works_on) <= {"0", "1"}:
        return "enter seven digits for Monday to Sunday, 1 for a working day, such as 1111100"
    return None if "1" in works_on else "a supplier needs at least one working day a week"


def arrival_day(calendar: Calendar, ordered_on: date, lead_time_days: int) -> date:
    """Return the day on which an order arrives.

    Parameters
    ----------
    ordered_on
        The local day of the order, before the cut-off; an order of a closed day counts for the
        next open one.
    lead_time_days
        Days from order to delivery, from 0, counted in the calendar's days.

    Returns
    -------
    date
        The first open day when so many of its days have passed.

    Notes
    -----
    Source: the offset of business days as in numpy.busday_offset(roll="forward").

    Examples
    --------
    >>> arrival_day(Calendar("1111100"), date(2031, 3, 7), 1)
    datetime.date(2031, 3, 10)
    """
    day = calendar.open_from(ordered_on)
    for _ in range(lead_time_days):
        day += _ONE_DAY
        while not calendar.counts(day):
            day += _ONE_DAY
    return calendar.open_from(day)


def latest_order_day(calendar: Calendar, arrives_by: date, lead_time_days: int) -> date:
    """Return the last day on which to order so that it arrives by a day.

    Parameters
    ----------
    arrives_by
        The last day, local to the site, on which it may arrive.
    lead_time_days
        Days from order to delivery, from 0, counted in the calendar's days.

    Returns
    -------
    date
        The latest open day whose ``arrival_day`` is no later than asked.

    Notes
    -----
    Source: the offset of business days as in numpy.busday_offset(roll="backward").

    Examples
    --------
    >>> latest_order_day(Calendar("1111100"), date(2031, 3, 9), 1)
    datetime.date(2031, 3, 6)
    """
    day = calendar.open_until(arrives_by)
    for _ in range(lead_time_days):
        day -= _ONE_DAY
        while not calendar.counts(day):
            day -= _ONE_DAY
    return calendar.open_until(day)
