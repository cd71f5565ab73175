"""Working days against NumPy's business days and published holidays."""

from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.shortfalls.deadlines import (
    EVERY_DAY,
    Calendar,
    CalendarError,
    arrival_day,
    days_fault,
    latest_order_day,
)

#: Bank holidays in England and Wales, 2025 and 2026. Source: gov.uk/bank-holidays as published
#: (26 December 2026 is a Saturday; its substitute day is the 28th).
ENGLAND_AND_WALES = frozenset(
    {
        *(date(2025, 1, 1), date(2025, 4, 18), date(2025, 4, 21), date(2025, 5, 5)),
        *(date(2025, 5, 26), date(2025, 8, 25), date(2025, 12, 25), date(2025, 12, 26)),
        *(date(2026, 1, 1), date(2026, 4, 3), date(2026, 4, 6), date(2026, 5, 4)),
        *(date(2026, 5, 25), date(2026, 8, 31), date(2026, 12, 25), date(2026, 12, 28)),
    }
)


_WEEKS = st.integers(1, 126).map(lambda number: f"{number:07b}")


_DAYS = st.dates(date(2031, 1, 1), date(2032, 12, 31))


_HOLIDAYS = st.frozensets(st.dates(date(2030, 12, 1), date(2033, 1, 31)), max_size=30)


def _offset(day: date, days: int, roll: str, calendar: Calendar) -> date:
    """Ask NumPy, which counts business days on its own."""
    return np.busday_offset(  # type: ignore[no-any-return,call-overload] # typed for arrays and for words
        np.datetime64(day),
        days,
        roll=roll,
        weekmask=calendar.works_on,
        holidays=sorted(calendar.holidays),
    ).astype(object)


@given(_WEEKS, _HOLIDAYS, _DAYS, st.integers(0, 40))
def test_days_are_counted_as_numpy_counts_business_days(
    works_on: str, holidays: frozenset[date], day: date, lead: int
) -> None:
    # Source: numpy.busday_offset, which no part of the program uses.
    calendar = Calendar(works_on, holidays)
    assert arrival_day(calendar, day, lead) == _offset(day, lead, "forward", calendar)
    assert latest_order_day(calendar, day, lead) == _offset(day, -lead, "backward", calendar)


@given(_WEEKS, _HOLIDAYS, _DAYS, st.integers(0, 40))
def test_between_the_last_order_day_and_the_arrival_lies_the_lead_time(
    works_on: str, holidays: frozenset[date], day: date, lead: int
) -> None:
    # Source: numpy.busday_count from order to the last business day before the arrival's end.
    calendar = Calendar(works_on, holidays)
    ordered = latest_order_day(calendar, day, lead)
    arrives = arrival_day(calendar, ordered, lead)
    counted = np.busday_count(ordered, arrives, weekmask=works_on, holidays=sorted(holidays))
    assert arrives <= day
    assert int(counted) == lead


@given(st.one_of(_WEEKS, st.just(EVERY_DAY)), _HOLIDAYS, _DAYS, st.integers(0, 20))
def test_no_later_order_day_would_do(
    works_on: str, holidays: frozenset[date], day: date, lead: int
) -> None:
    # Brute force: every day up to the arrival is tried by counting forward.
    calendar = Calendar(works_on, holidays)
    found = latest_order_day(calendar, day, lead)
    assert calendar.is_open(found)
    assert arrival_day(calendar, found, lead) <= day
    later = [found + timedelta(days=ahead) for ahead in range(1, (day - found).days + 1)]
    assert not [
        one for one in later if calendar.is_open(one) and arrival_day(calendar, one, lead) <= day
    ]


@pytest.mark.parametrize(
    ("needed", "lead", "expected"),
    [
        # By hand on the published table: over Easter 2026, Good Friday is 3 and Monday 6 April.
        (date(2026, 4, 7), 1, date(2026, 4, 2)),
        (date(2026, 4, 6), 0, date(2026, 4, 2)),
        (date(2026, 4, 8), 3, date(2026, 4, 1)),
        # Christmas 2026: Friday the 25th, substitute Monday the 28th.
        (date(2026, 12, 29), 1, date(2026, 12, 24)),
        (date(2026, 12, 28), 1, date(2026, 12, 23)),
        # Christmas 2025: Thursday and Friday, then a weekend; new year on Thursday.
        (date(2025, 12, 29), 2, date(2025, 12, 23)),
        (date(2026, 1, 2), 2, date(2025, 12, 30)),
    ],
)
def test_bank_holidays_of_england_and_wales_are_no_working_days(
    needed: date, lead: int, expected: date
) -> None:
    calendar = Calendar("1111100", ENGLAND_AND_WALES)
    assert latest_order_day(calendar, needed, lead) == expected


def test_calendar_days_run_through_holidays_but_nothing_is_sent_or_received_on_one() -> None:
    # By hand: the 10th is a holiday. What must be here by the 10th must come on the 9th.
    calendar = Calendar(EVERY_DAY, {date(2031, 3, 10)})
    assert latest_order_day(calendar, date(2031, 3, 10), 2) == date(2031, 3, 7)
    assert latest_order_day(calendar, date(2031, 3, 11), 2) == date(2031, 3, 9)
    # An order on the holiday is no order; one day before it is the last.
    assert latest_order_day(calendar, date(2031, 3, 11), 1) == date(2031, 3, 9)
    assert arrival_day(calendar, date(2031, 3, 9), 1) == date(2031, 3, 11)


@pytest.mark.parametrize("works_on", ["", "111110", "11111000", "0000000", "1111x00", "²111100"])
def test_a_week_that_cannot_be_worked_is_refused(works_on: str) -> None:
    assert days_fault(works_on) is not None
    with pytest.raises(CalendarError) as refused:
        Calendar(works_on)
    assert refused.value.pointer == "/works_on"


@pytest.mark.parametrize("minute", [-1, 1440])
def test_a_cut_off_outside_the_day_is_refused(minute: int) -> None:
    with pytest.raises(CalendarError) as refused:
        Calendar(cut_off_minute=minute)
    assert refused.value.pointer == "/cut_off_minute"
