"""Projected stock against a day-by-day count written here on its own."""

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st

from service.core.cover.projection import DatedChange, project_stock
from service.core.cover.units import Claim, StockUnits

DAY = date(2031, 3, 4)


LAST = DAY + timedelta(days=9)


def _days_from(number: int) -> date:
    return DAY + timedelta(days=number)


@st.composite
def _shelf(draw: st.DrawFn) -> tuple[list[StockUnits], list[Claim]]:
    """A few lots with ends of their own, and claims each on units of their own."""
    parcels, claims = [], []
    ends = st.none() | st.integers(-1, 10).map(_days_from)
    for place in range(draw(st.integers(1, 3))):
        quantity = draw(st.integers(0, 4))
        parcels.append(
            StockUnits(
                key=f"p{place}",
                ref="A",
                quantity=quantity,
                lot=f"L{place}",
                use_by=draw(ends),
                return_by=draw(ends),
                blocked=draw(st.sampled_from([(), (), (), ("quarantined",)])),
            )
        )
        claims += [
            Claim(
                f"K{place}{unit}",
                f"p{place}",
                1,
                draw(st.integers(0, 9).map(_days_from)),
                "T1",
                stays=draw(st.booleans()),
            )
            for unit in range(draw(st.integers(0, quantity)))
        ]
    return parcels, claims


@given(_shelf())
@settings(max_examples=60, deadline=None)
def test_each_day_is_what_a_count_of_units_gives(
    shelf: tuple[list[StockUnits], list[Claim]],
) -> None:
    # Brute force: every unit is followed on its own, claims one to a unit.
    parcels, claims = shelf
    for day in project_stock(parcels, claims, DAY, LAST, UTC):
        there = promised = 0
        for parcel in parcels:
            own = [claim for claim in claims if claim.key == parcel.key]
            fit = (
                not parcel.blocked
                and (parcel.use_by is None or parcel.use_by >= day.day)
                and (parcel.return_by is None or parcel.return_by > day.day)
            )
            for unit in range(parcel.quantity):
                claim = own[unit] if unit < len(own) else None
                if not fit or (claim and claim.stays and claim.list_date < day.day):
                    continue
                there += 1
                promised += claim is not None and claim.list_date == day.day
        assert (day.there, day.promised) == (there, promised)
        assert day.free == there - promised


@given(_shelf())
@settings(max_examples=60, deadline=None)
def test_what_goes_between_two_days_is_told(shelf: tuple[list[StockUnits], list[Claim]]) -> None:
    # The balance of a shelf: yesterday's units less what was used and what expired or went back.
    parcels, claims = shelf
    days = project_stock(parcels, claims, DAY, LAST, UTC)
    for before, day in pairwise(days):
        used = sum(one.quantity for one in before.changes if one.kind == "first use")
        gone = sum(one.quantity for one in day.changes if one.kind in {"expires", "goes back"})
        assert day.there == before.there - used - gone


def test_an_unopened_backup_two_cases_share_is_promised_once() -> None:
    # As a pick list has it: cases of one list may count on the same unopened pack.
    parcel = StockUnits("p", "A", 1, lot="L")
    claims = [
        Claim(case, "p", 1, DAY, "T1", stays=False, share_group="T1 K1") for case in ("K1", "K2")
    ]
    (day,) = project_stock([parcel], claims, DAY, DAY, UTC)
    assert (day.there, day.promised, day.free) == (1, 1, 0)


def test_a_delivery_is_told_on_its_local_day_and_never_counted_as_there() -> None:
    # 23:30 UTC on 4 June is 00:30 on the 5th in London: summer time, UTC+1.
    usable = datetime(2031, 6, 4, 23, 30, tzinfo=UTC)
    due = StockUnits("due 1", "A", 3, lot="delivery D1", usable_from=usable)
    first = date(2031, 6, 4)
    days = project_stock([due], [], first, date(2031, 6, 5), ZoneInfo("Europe/London"))
    assert [(day.there, day.coming) for day in days] == [(0, 0), (0, 3)]
    assert days[1].changes == (DatedChange(date(2031, 6, 5), "arrives", 3, "delivery D1"),)
