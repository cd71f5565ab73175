"""Suppliers and holidays: kept by name and day, changed by who has read them."""

from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from service.errors import NotFound, Stale
from service.operations.imports import import_file
from service.operations.suppliers import (
    get_supplier,
    list_holidays,
    list_suppliers,
    put_holiday,
    put_supplier,
    remove_holiday,
    terms_of,
)
from service.operations.work import Work
from service.schemas.imports import ImportOut
from service.schemas.suppliers import HolidayBody, SupplierBody, SupplierOut
from tests.two_sites import add_site, work_at

SEED = Path(__file__).parents[2] / "seed_data"


def put(
    work: Work,
    name: str,
    version: int | None = None,
    **facts: Any,  # noqa: ANN401 - a body as it would be sent
) -> SupplierOut:
    body = SupplierBody.model_validate(facts)
    return work.write(partial(put_supplier, name=name, body=body, version=version))


def test_a_supplier_is_added_read_and_changed(work: Work) -> None:
    facts: dict[str, Any] = {
        "minimum_order_minor": 25_000,
        "currency": "GBP",
        "works_on": "1111100",
        "cut_off": "14:30",
        "endpoint_scheme": "0088",
        "endpoint_id": "5060012349998",
        "country": "GB",
        "is_loan_lender": True,
    }
    made = put(work, "Some supply", **facts)
    assert (made.version, made.cut_off) == (1, "14:30")
    assert work.read(partial(get_supplier, name="Some supply")) == made
    changed = put(work, "Some supply", 1, **{**facts, "cut_off": None})
    assert (changed.version, changed.cut_off) == (2, None)
    with pytest.raises(Stale):
        put(work, "Some supply", 1, **facts)
    with pytest.raises(Stale):
        put(work, "Some supply", None, **facts)


def test_a_supplier_nobody_knows_is_neither_read_nor_changed(work: Work) -> None:
    with pytest.raises(NotFound):
        work.read(partial(get_supplier, name="Nobody"))
    with pytest.raises(NotFound):
        put(work, "Nobody", 1)


@pytest.mark.parametrize(
    ("facts", "field"),
    [
        ({"works_on": "0000000"}, "works_on"),
        ({"works_on": "11111"}, "works_on"),
        ({"works_on": "11111yz"}, "works_on"),
        ({"cut_off": "14:00:30"}, "cut_off"),
        ({"cut_off": "14:00+01:00"}, "cut_off"),
        ({"minimum_order_minor": 1}, "currency"),
        ({"currency": "XXX"}, "currency"),
        ({"endpoint_id": "1"}, "endpoint_scheme"),
        ({"endpoint_scheme": "0088"}, "endpoint_id"),
        ({"country": "gb"}, "country"),
        ({"minimum_order_minor": -1}, "minimum_order_minor"),
    ],
)
def test_a_supplier_that_cannot_be_is_refused_at_its_field(
    facts: dict[str, object], field: str
) -> None:
    with pytest.raises(ValidationError) as refused:
        SupplierBody.model_validate(facts)
    assert {error["loc"][0] for error in refused.value.errors()} == {field}


def test_whom_only_the_catalogue_names_is_listed_as_unknown(demo_work: Work) -> None:
    found = demo_work.read(list_suppliers)
    # suppliers.csv leaves Garsdene out.
    assert found.unknown == ["Garsdene Demo Supply"]
    assert len(found.suppliers) == 7
    assert [one.name for one in found.suppliers] == sorted(one.name for one in found.suppliers)


def test_of_whom_nothing_is_known_every_day_counts_and_nothing_is_said_of_loans(
    demo_work: Work,
) -> None:
    names = ["Garsdene Demo Supply", "Cindermoor Demo Supply"]
    terms = demo_work.read(partial(terms_of, names=names))
    unknown, known = (terms[name] for name in names)
    assert (unknown.is_known, unknown.lends, unknown.calendar.works_on) == (False, None, "1111111")
    assert (known.is_known, known.lends, known.calendar.works_on) == (True, False, "1111100")
    assert known.calendar.cut_off_minute == 15 * 60
    # holidays.csv, for the suppliers of nobody knows what as well.
    assert not unknown.calendar.is_open(date(2031, 2, 24))


def holiday(work: Work, day: date, name: str) -> None:
    work.write(partial(put_holiday, day=day, body=HolidayBody(name=name)))


def days(work: Work) -> list[tuple[date, str, str]]:
    return [(one.day, one.weekday, one.name) for one in work.read(list_holidays).holidays]


def test_a_holiday_is_named_renamed_and_removed(work: Work) -> None:
    holiday(work, date(2031, 12, 25), "Christmas")
    holiday(work, date(2031, 4, 14), "Easter")
    holiday(work, date(2031, 4, 14), "Easter Monday")
    assert days(work) == [
        (date(2031, 4, 14), "Monday", "Easter Monday"),
        (date(2031, 12, 25), "Thursday", "Christmas"),
    ]
    work.write(partial(remove_holiday, day=date(2031, 4, 14)))
    assert [day for day, _, _ in days(work)] == [date(2031, 12, 25)]
    with pytest.raises(NotFound):
        work.write(partial(remove_holiday, day=date(2031, 4, 14)))


def test_each_site_has_its_own_holidays(work: Work) -> None:
    other = work_at(work, add_site(work))
    holiday(work, date(2031, 4, 14), "Ours")
    assert days(other) == []
    holiday(other, date(2031, 4, 14), "Theirs")
    assert [name for _, _, name in days(work)] == ["Ours"]
    with pytest.raises(NotFound):
        other.write(partial(remove_holiday, day=date(2031, 5, 1)))


def bring(work: Work, form: str, text: str) -> ImportOut:
    return work.write(
        lambda unit: import_file(unit, form, text.encode(), "file.csv", take_good_rows=False)
    )


def test_a_file_of_suppliers_is_taken_once_and_again_changes_nothing(work: Work) -> None:
    text = (SEED / "suppliers.csv").read_text(encoding="utf-8")
    first = bring(work, "suppliers", text)
    assert (first.added, first.changed, first.unchanged) == (7, 0, 0)
    assert "No catalogue item is supplied by Ambleford Demo Supply." in first.notes
    again = bring(work, "suppliers", text)
    assert (again.added, again.changed, again.unchanged) == (0, 0, 7)
    other = bring(work, "suppliers", text.replace("14:00", "14:15"))
    assert (other.changed, other.unchanged) == (1, 6)
    found = work.read(partial(get_supplier, name="Ambleford Demo Supply"))
    assert (found.cut_off, found.minimum_order_minor, found.version) == ("14:15", 25_000, 2)


def test_a_file_of_holidays_adds_and_renames_and_leaves_the_others(work: Work) -> None:
    holiday(work, date(2031, 1, 1), "New year")
    done = bring(work, "holidays", "day,name\n2031-01-01,New year\n2031-04-14,Easter\n")
    assert (done.added, done.unchanged) == (1, 1)
    done = bring(work, "holidays", "day,name\n2031-04-14,Easter Monday\n")
    assert done.changed == 1
    assert [name for _, _, name in days(work)] == ["New year", "Easter Monday"]
