"""Moments against worked changes of the clocks, and against the standard library's zones."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from service.core.shortfalls.deadlines import (
    Calendar,
    hours_before,
    last_moment_on,
    last_order_moment,
    last_whole_day_before,
    local_moment,
)

LONDON = ZoneInfo("Europe/London")


NEW_YORK = ZoneInfo("America/New_York")


_DAYS = st.dates(date(2031, 1, 1), date(2032, 12, 31))


def test_a_time_that_comes_twice_is_the_first_of_the_two() -> None:
    # Clocks in London go back on 26 October 2031, 02:00 BST to 01:00 GMT (last Sunday of October,
    # Summer Time Order 2002); 01:30 comes at 00:30 and at 01:30 UTC.
    assert local_moment(date(2031, 10, 26), 90, LONDON) == datetime(2031, 10, 26, 0, 30, tzinfo=UTC)


def test_a_time_that_does_not_come_is_read_before_the_change() -> None:
    # Clocks in London go forward on 30 March 2031 at 01:00 UTC; 01:30 does not come.
    moment = local_moment(date(2031, 3, 30), 90, LONDON)
    assert moment == datetime(2031, 3, 30, 0, 30, tzinfo=UTC)
    # New York: 02:30 does not come on 9 March 2031; the change is at 07:00 UTC.
    moment = local_moment(date(2031, 3, 9), 150, NEW_YORK)
    assert moment == datetime(2031, 3, 9, 6, 30, tzinfo=UTC)
    assert moment.astimezone(NEW_YORK).isoformat() == "2031-03-09T01:30:00-05:00"


@given(_DAYS, st.integers(0, 1439), st.sampled_from([LONDON, NEW_YORK, ZoneInfo("Asia/Kolkata")]))
def test_a_moment_shows_its_time_on_the_clock_and_is_never_late(
    day: date, minute: int, zone: ZoneInfo
) -> None:
    # Source: every minute around it is tried with the standard library's table of zones.
    moment = local_moment(day, minute, zone)
    wall = datetime(day.year, day.month, day.day, minute // 60, minute % 60)  # noqa: DTZ001 - a clock's face
    start = datetime.combine(day, datetime.min.time(), tzinfo=UTC) - timedelta(hours=14)
    shows = [
        at
        for step in range(0, 60 * 54, 15)
        if (at := start + timedelta(minutes=step + minute % 15))
        .astimezone(zone)
        .replace(tzinfo=None)
        == wall
    ]
    if shows:
        assert moment == shows[0]
    else:
        # The minute was passed over: the deadline lies before the clocks changed.
        assert moment.astimezone(zone).replace(tzinfo=None) < wall


def test_hours_are_counted_as_they_pass_over_a_change_of_clocks() -> None:
    # Worked: 08:30 BST on 30 March 2031 is 07:30 UTC; 24 hours before is 07:30 GMT the day before.
    list_start = datetime(2031, 3, 30, 8, 30, tzinfo=LONDON)
    assert hours_before(list_start, 24).isoformat() == "2031-03-29T07:30:00+00:00"
    # In autumn 08:30 GMT is 25 hours after 08:30 BST.
    list_start = datetime(2031, 10, 26, 8, 30, tzinfo=LONDON)
    assert hours_before(list_start, 25).isoformat() == "2031-10-25T07:30:00+00:00"


def test_the_last_day_that_has_ended_is_the_sites_own() -> None:
    # 04:30 UTC on the 5th is still the evening of the 4th in New York, which has not ended.
    moment = datetime(2031, 3, 5, 4, 30, tzinfo=UTC)
    assert last_whole_day_before(moment, LONDON) == date(2031, 3, 4)
    assert last_whole_day_before(moment, NEW_YORK) == date(2031, 3, 3)


def test_an_order_moment_worked_by_hand_over_a_change_of_clocks() -> None:
    # List on Monday 31 March 2031, 08:30 BST = 07:30 UTC. 48 hours before: Saturday 29 March, 07:30
    # GMT. The last whole day before is Friday the 28th; three working days back: Tuesday the 25th,
    # 14:00 GMT.
    moment = last_order_moment(
        Calendar("1111100", cut_off_minute=14 * 60),
        datetime(2031, 3, 31, 8, 30, tzinfo=LONDON),
        lead_time_days=3,
        preparing_hours=48,
        zone=LONDON,
    )
    assert moment.isoformat() == "2031-03-25T14:00:00+00:00"


def test_without_a_cut_off_an_order_counts_until_the_days_last_minute() -> None:
    moment = last_moment_on(Calendar(), date(2031, 7, 1), LONDON)
    assert moment.isoformat() == "2031-07-01T22:59:00+00:00"
