"""Uses put together from two books, and days on which something was there."""

from datetime import date, timedelta

from hypothesis import given
from hypothesis import strategies as st

from service.core.demand.usage import LotLife, Use, days_present, merged_uses

DAY = date(2031, 3, 3)


NEXT = DAY + timedelta(days=1)


def units(uses: tuple[Use, ...]) -> int:
    return sum(use.quantity for use in uses)


def test_a_use_on_record_and_in_the_ledger_counts_once() -> None:
    written = [Use("A", DAY, 1, "L1", "K1")]
    # The record's day may be the list day and the ledger's the day of the scan.
    uses, twice = merged_uses(written, [Use("A", NEXT, 1, "L1", "K1")])
    assert (units(uses), twice) == (1, 1)


def test_a_record_that_names_no_lot_or_no_case_is_matched_by_what_it_names_and_by_its_day() -> None:
    line = Use("A", DAY, 1, "L1", "K1")
    for record in (Use("A", DAY, 1, "", "K1"), Use("A", DAY, 1, "L1"), Use("A", DAY, 1)):
        assert merged_uses([record], [line])[1] == 1
    for other in (
        Use("A", DAY, 1, "L2", "K1"),
        Use("A", DAY, 1, "L1", "K2"),
        Use("B", DAY, 1, "L1", "K1"),
        Use("A", DAY, 1, "L1", "K1", wasted=True),
        Use("A", NEXT, 1, "L1"),
    ):
        assert merged_uses([other], [line])[1] == 0


def test_only_the_units_the_ledger_has_are_taken_off_a_record() -> None:
    uses, twice = merged_uses([Use("A", DAY, 3, "L1", "K1")], [Use("A", DAY, 2, "L1", "K1")])
    assert (units(uses), twice) == (3, 2)


def test_two_records_do_not_lean_on_the_same_line() -> None:
    records = [Use("A", DAY, 1, "L1"), Use("A", DAY, 1, "", "K1")]
    uses, twice = merged_uses(records, [Use("A", DAY, 1, "L1", "K1")])
    assert (units(uses), twice) == (2, 1)


def by_hand(lots: list[tuple[list[tuple[int, int]], int, int | None]], days: int) -> int:
    """Count the days with a unit there at some moment, by playing each day out."""
    present = set()
    for changes, left, use_by in lots:
        start = left - sum(change for _, change in changes)
        there = start
        for day in range(days):
            seen = [there]
            for when, change in changes:
                if when == day:
                    there += change
                    seen.append(there)
            if max(seen) > 0 and (use_by is None or day <= use_by):
                present.add(day)
    return len(present)


@st.composite
def lives(draw: st.DrawFn) -> tuple[list[tuple[int, int]], int, int | None]:
    """Draw a lot that never falls below none: changes by day, units left, use by."""
    level = draw(st.integers(0, 2))
    changes = []
    for day in sorted(draw(st.lists(st.integers(0, 11), max_size=5))):
        change = draw(st.integers(-level, 3).filter(bool) if level else st.integers(1, 3))
        level += change
        changes.append((day, change))
    return changes, level, draw(st.none() | st.integers(-1, 13))


# Source: brute force, day by day.
@given(lots=st.lists(lives(), max_size=3))
def test_days_with_something_there_are_those_of_playing_each_day_out(
    lots: list[tuple[list[tuple[int, int]], int, int | None]],
) -> None:
    made = [
        LotLife(
            tuple((DAY + timedelta(days=day), change) for day, change in changes),
            left,
            None if use_by is None else DAY + timedelta(days=use_by),
        )
        for changes, left, use_by in lots
    ]
    assert days_present(made, DAY, DAY + timedelta(days=11)) == by_hand(lots, 12)
