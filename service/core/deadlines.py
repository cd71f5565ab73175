"""The last moment to do something so that it is in time, right over a change of the clocks.

A moment is aware. Hours are counted as time that passes, so that a night in which the clocks change
is an hour shorter or longer; days are dates local to the site.
"""

from datetime import UTC, date, datetime, time, timedelta, tzinfo

from service.core.calendar import LAST_MINUTE, Calendar, latest_order_day

__all__ = [
    "hours_before",
    "last_moment_on",
    "last_order_moment",
    "last_whole_day_before",
    "local_moment",
]

_ONE_DAY = timedelta(days=1)


def local_moment(day: date, minute: int, zone: tzinfo) -> datetime:
    """Give the moment at which the site's clock shows a time of day.

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


def last_moment_on(calendar: Calendar, day: date, zone: tzinfo) -> datetime:
    """Give the last moment at which an order still counts for a day.

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
    """Give the moment so many hours before another, as time passes and not as clocks show it.

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
    """Give the last day at the site that has ended by a moment.

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
    """Give the last moment to order so that it is ready when a list starts.

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
