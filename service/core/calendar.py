"""Working days and lead times: on which day to order, and on which day it comes.

A day is a date local to the site.
"""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, timedelta

__all__ = [
    "EVERY_DAY",
    "LAST_MINUTE",
    "Calendar",
    "CalendarError",
    "arrival_day",
    "days_fault",
    "latest_order_day",
]

EVERY_DAY = "1111111"
#: The last minute of a day, counted from midnight.
LAST_MINUTE = 24 * 60 - 1
_ONE_DAY = timedelta(days=1)


class CalendarError(ValueError):
    """A calendar that cannot be used, with where and why.

    Parameters
    ----------
    pointer
        A JSON pointer to the field.
    reason
        A sentence.
    """

    def __init__(self, pointer: str, reason: str) -> None:
        super().__init__(f"{pointer}: {reason}")
        self.pointer = pointer
        self.reason = reason


def days_fault(works_on: str) -> str | None:
    """Say what is wrong with a week of working days, or ``None`` when it can be used.

    Examples
    --------
    >>> days_fault("1111100")
    >>> days_fault("0000000")
    'a supplier works on one day of the week at least'
    """
    if len(works_on) != len(EVERY_DAY) or not set(works_on) <= {"0", "1"}:
        return "write seven digits, Monday to Sunday, 1 for a working day, like 1111100"
    return None if "1" in works_on else "a supplier works on one day of the week at least"


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
            raise CalendarError("/cut_off_minute", f"write a minute from 0 to {LAST_MINUTE}")

    def is_open(self, day: date) -> bool:
        """Tell whether the supplier can be sent an order, and the site can receive, on a day."""
        return self.works_on[day.weekday()] == "1" and day not in self.holidays

    def counts(self, day: date) -> bool:
        """Tell whether a day of lead time passes on a day."""
        return self.works_on == EVERY_DAY or self.is_open(day)

    def open_from(self, day: date) -> date:
        """Give the first open day from a day on."""
        while not self.is_open(day):
            day += _ONE_DAY
        return day

    def open_until(self, day: date) -> date:
        """Give the last open day up to a day."""
        while not self.is_open(day):
            day -= _ONE_DAY
        return day


def arrival_day(calendar: Calendar, ordered_on: date, lead_time_days: int) -> date:
    """Give the day on which an order arrives.

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
    """Give the last day on which to order so that it arrives by a day.

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
