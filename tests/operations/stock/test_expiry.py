"""What expires soon: dates, places, values and first uses against the demo's own files."""

import csv
from datetime import date, timedelta
from functools import partial

import pytest
from sqlalchemy import Update, update

from service.operations.cover.check import check_day
from service.operations.recalls.start import start_recall
from service.operations.stock.view import expiring
from service.operations.work import Unit, Work
from service.schemas.recalls import RecallBody
from service.schemas.stock import ExpiringUnits
from service.storage.tables import Item, Lot, table_of
from tests.conftest import NOW
from tests.operations.trays.packs import SEED

TODAY = NOW.date()


def rows(name: str) -> list[dict[str, str]]:
    with (SEED / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def units(work: Work, days: int) -> list[ExpiringUnits]:
    return work.read(lambda unit: expiring(unit, days)).units


def expire_by(work: Work, lot: str, day: date) -> None:
    table = table_of(Lot)
    change = update(table).where(table.c.lot_number == lot).values(use_by=day)
    work.write(lambda unit: unit.session.execute(change))


@pytest.mark.parametrize("days", [0, 30, 90, 365])
def test_every_lot_of_the_stock_that_expires_in_time_is_there_once(
    demo_work: Work, days: int
) -> None:
    last = TODAY + timedelta(days=days)
    expected = sorted(
        (row["use_by"], row["ref"], row["lot"], row["store"], int(row["quantity"]))
        for row in rows("stock.csv")
        if row["use_by"] and date.fromisoformat(row["use_by"]) <= last
    )
    found = [
        (str(one.use_by), one.ref, one.lot, one.store, one.quantity)
        for one in units(demo_work, days)
    ]
    assert sorted(found) == expected
    assert [one[0] for one in found] == sorted(one[0] for one in found)


def test_a_value_is_the_price_of_the_catalogue_times_the_units(demo_work: Work) -> None:
    # Prices of catalogue.csv are in pounds; ISO 4217: GBP has two decimals.
    prices = {
        row["ref"]: round(float(row["unit_price"]) * 100) if row["unit_price"] else None
        for row in rows("catalogue.csv")
    }
    answer = demo_work.read(lambda unit: expiring(unit, 180))
    assert answer.units
    total = 0
    for one in answer.units:
        price = prices[one.ref]
        assert one.value_minor == (None if price is None else price * one.quantity)
        total += one.value_minor or 0
    assert [(one.currency, one.value_minor) for one in answer.worth] == [("GBP", total)]


def test_an_unknown_price_is_unknown_and_never_zero(demo_work: Work) -> None:
    table = table_of(Item)
    demo_work.write(lambda unit: unit.session.execute(update(table).values(unit_price_minor=None)))
    answer = demo_work.read(lambda unit: expiring(unit, 90))
    assert {one.value_minor for one in answer.units} == {None}
    assert answer.worth == []
    assert answer.without_price == sum(one.quantity for one in answer.units)


def test_what_has_expired_comes_first_and_can_be_used_nowhere(demo_work: Work) -> None:
    expire_by(demo_work, "F28L0031", TODAY - timedelta(days=1))
    found = units(demo_work, 90)
    (one,) = [one for one in found if one.lot == "F28L0031"]
    assert (one.is_expired, one.days_left) == (True, -1)
    assert all(one.first_use is None for one in found if one.is_expired)
    flags = [one.is_expired for one in found]
    assert flags == sorted(flags, reverse=True)
    assert not all(flags)


def test_a_lot_on_its_last_day_has_not_expired(demo_work: Work) -> None:
    expire_by(demo_work, "F28L0031", TODAY)
    (one,) = [one for one in units(demo_work, 0) if one.lot == "F28L0031"]
    assert (one.is_expired, one.days_left) == (False, 0)


def test_the_first_case_that_could_use_a_lot_is_named(demo_work: Work) -> None:
    # lists.csv plans HAR-0712 on 4 March with a Fallowmere nail; its lag screw is 110 mm.
    expire_by(demo_work, "F28L0031", date(2031, 3, 4))
    (one,) = [one for one in units(demo_work, 30) if one.lot == "F28L0031"]
    assert one.first_use is not None
    assert (one.first_use.case, one.first_use.list_date) == ("HAR-0712", date(2031, 3, 4))


def test_a_lot_that_expires_before_the_case_is_of_no_use_to_it(demo_work: Work) -> None:
    expire_by(demo_work, "F28L0031", date(2031, 3, 3))
    (one,) = [one for one in units(demo_work, 30) if one.lot == "F28L0031"]
    assert one.first_use is None


def test_a_loan_that_goes_back_before_the_case_is_of_no_use_to_it(demo_work: Work) -> None:
    table = table_of(Lot)
    for back, is_of_use in ((date(2031, 3, 4), False), (date(2031, 3, 5), True)):
        facts = {"use_by": date(2031, 3, 20), "ownership": "loan", "return_by": back}
        change = update(table).where(table.c.lot_number == "F28L0031").values(facts)
        demo_work.write(partial(_execute, change=change))
        (one,) = [one for one in units(demo_work, 30) if one.lot == "F28L0031"]
        cases = [] if one.first_use is None else [one.first_use.case]
        assert ("HAR-0712" in cases) is is_of_use


def _execute(unit: Unit, change: Update) -> None:
    unit.session.execute(change)


def test_first_uses_agree_with_the_checks_of_the_days(demo_work: Work) -> None:
    # The check of each day is written by other code and reads the same plans.
    first: dict[str, tuple[date, str]] = {}
    for ahead in range(1, 15):
        day = TODAY + timedelta(days=ahead)
        check = demo_work.read(partial(check_day, day=day))
        cases = [case for one in check.lists for case in one.cases]
        for case in sorted(cases, key=lambda one: (one.starts_at, one.case)):
            lines = [line for made in case.constructs for line in made.lines] + case.near
            for ref in {ref for line in lines for ref in line.refs}:
                first.setdefault(ref, (day, case.case))
    seen = 0
    for one in units(demo_work, 400):
        expected = first.get(one.ref)
        if one.location_kind == "shelf" and one.use_by >= TODAY + timedelta(days=14):
            use = one.first_use
            found = None if use is None else (use.list_date, use.case)
            # Units that are all promised are left to who has them: their first use may be later.
            is_free = one.held < one.quantity
            is_later = found is None or (expected is not None and found > expected)
            assert found == expected or (not is_free and is_later), one.ref
            seen += found is not None
    assert seen


def test_recalled_and_quarantined_units_are_of_no_use(demo_work: Work) -> None:
    expire_by(demo_work, "F28L0031", date(2031, 3, 20))
    for quarantine in (False, True):
        body = RecallBody(
            notice=f"N{quarantine}", lot="F28L0031", reason="cracks", quarantine=quarantine
        )
        demo_work.write(partial(start_recall, body=body))
        (one,) = [one for one in units(demo_work, 30) if one.lot == "F28L0031"]
        assert one.first_use is None
        assert one.location_kind == ("quarantine" if quarantine else "shelf")


def test_an_empty_house_has_nothing_that_expires(work: Work) -> None:
    answer = work.read(lambda unit: expiring(unit, 90))
    assert (answer.units, answer.worth, answer.without_price) == ([], [], 0)
