"""The times of a case on the site's clock: over midnight, and over a change of the clocks."""

from datetime import UTC, date, datetime, time, timedelta, tzinfo

#: Longer is a slip of the pen, as an end before the start is on any but the last case of a day
#: (common practice, no source).
LONGEST_OVER_MIDNIGHT = timedelta(hours=12)


def ends_on(day: date, starts: time, ends: time) -> date | None:
    """Return the day on which a case ends: an end before the start is on the next one.

    Parameters
    ----------
    day
        The list day, on which it starts.
    starts, ends
        On the site's clock.

    Returns
    -------
    date or None
        ``None`` when it would last more than twelve hours over midnight, or no time at all.

    Examples
    --------
    >>> ends_on(date(2031, 3, 4), time(23), time(1)), ends_on(date(2031, 3, 4), time(9), time(8))
    (datetime.date(2031, 3, 5), None)
    """
    if starts < ends:
        return day
    next_day = day + timedelta(days=1)
    lasts = datetime.combine(next_day, ends) - datetime.combine(day, starts)
    return next_day if lasts <= LONGEST_OVER_MIDNIGHT else None


def readings(day: date, clock: time, zone: tzinfo) -> tuple[datetime, ...]:
    """Return every moment at which the site's clock shows a time.

    Parameters
    ----------
    day, clock
        What the clock shows.
    zone
        The site's time zone.

    Returns
    -------
    tuple of datetime
        In UTC, the earlier first: one on most days, none for a time that is skipped because the
        clocks go forward, two for one that comes twice because they go back.

    Notes
    -----
    Source: PEP 495, which tells the two readings apart and says how a skipped time is known: it
    does not come back from UTC as it went.

    Examples
    --------
    >>> readings(date(2031, 3, 4), time(9), UTC)
    (datetime.datetime(2031, 3, 4, 9, 0, tzinfo=datetime.timezone.utc),)
    """
    wall = datetime.combine(day, clock)
    found = {wall.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1)}
    return tuple(sorted(one for one in found if _shown(one, zone) == wall))


def _shown(moment: datetime, zone: tzinfo) -> datetime:
    return moment.astimezone(zone).replace(tzinfo=None, fold=0)


def next_shown(day: date, clock: time, zone: tzinfo) -> datetime:
    """Return the first time the site's clock shows after one that it skips.

    Parameters
    ----------
    day, clock, zone
        As for ``readings``, of a time that is skipped.

    Returns
    -------
    datetime
        What the clock shows when it has gone forward, without a zone.
    """
    wall = datetime.combine(day, clock)
    # Read on the clock of before the change, it lies as far after the change as it lies in the gap.
    late = wall.replace(tzinfo=zone, fold=0)
    early = wall.replace(tzinfo=zone, fold=1)
    low, high = early.astimezone(UTC), late.astimezone(UTC)
    before = low.astimezone(zone).utcoffset()
    while high - low > timedelta(minutes=1):
        middle = low + (high - low) // 2
        if middle.astimezone(zone).utcoffset() == before:
            low = middle
        else:
            high = middle
    shown = _shown(high, zone)
    return shown.replace(second=0, microsecond=0)
