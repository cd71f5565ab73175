"""Files of suppliers and holidays: what is read, and what is refused where it stands."""

from datetime import date, time

import pytest

from service.exchange.sheets.columns import HolidayRow, SupplierRow, read_holidays, read_suppliers
from service.exchange.sheets.tables import Parsed
from service.exchange.sheets.workbook import read_sheet

HEADER = (
    "name,minimum_order,currency,works_on,cut_off,"
    "endpoint_scheme,endpoint_id,country,is_loan_lender"
)


def suppliers(*lines: str) -> Parsed[SupplierRow]:
    return read_suppliers(read_sheet("\n".join([HEADER, *lines]).encode(), "file.csv"))


def holidays(*lines: str) -> Parsed[HolidayRow]:
    return read_holidays(read_sheet("\n".join(["day,name", *lines]).encode(), "file.csv"))


def test_a_supplier_is_read_with_every_column() -> None:
    parsed = suppliers("Some supply,250.50,GBP,1111110,14:30,0088,5060012349998,GB,yes")
    assert parsed.faults == []
    assert parsed.good == [
        (
            2,
            SupplierRow(
                name="Some supply",
                minimum_order_minor=25_050,
                currency="GBP",
                works_on="1111110",
                cut_off=time(14, 30),
                endpoint_scheme="0088",
                endpoint_id="5060012349998",
                country="GB",
                is_loan_lender=True,
            ),
        )
    ]


def test_of_a_supplier_only_the_name_is_needed() -> None:
    parsed = suppliers("Some supply,,,,,,,,")
    ((_, row),) = parsed.good
    assert (row.works_on, row.cut_off, row.minimum_order_minor) == ("1111111", None, 0)
    assert (row.currency, row.is_loan_lender) == ("", False)


@pytest.mark.parametrize(
    ("line", "column"),
    [
        (",10.00,GBP,,,,,,", "name"),
        ("X,,,0000000,,,,,", "works_on"),
        ("X,,,11111,,,,,", "works_on"),
        ("X,,,,25:00,,,,", "cut_off"),
        ("X,10.00,,,,,,,", "currency"),
        ("X,10.005,GBP,,,,,,", "minimum_order"),
        ("X,,POUND,,,,,,", "currency"),
        ("X,,,,,88,1,,", "endpoint_scheme"),
        ("X,,,,,0088,,,", "endpoint_id"),
        ("X,,,,,,1,,", "endpoint_scheme"),
        ("X,,,,,,,gb,", "country"),
        ("X,,,,,,,,perhaps", "is_loan_lender"),
    ],
)
def test_a_wrong_cell_is_named_by_its_column(line: str, column: str) -> None:
    parsed = suppliers("Good,,,,,,,,", line)
    assert [(fault.row, fault.column) for fault in parsed.faults] == [(3, column)]
    assert len(parsed.good) == 1


def test_a_supplier_or_a_day_twice_is_refused() -> None:
    assert [one.column for one in suppliers("X,,,,,,,,", "X,,,,,,,,").faults] == ["name"]
    assert [one.column for one in holidays("2031-04-14,A", "2031-04-14,B").faults] == ["day"]


def test_holidays_are_days_of_the_calendar_with_a_name() -> None:
    assert holidays("2031-04-14,Easter Monday").good == [
        (2, HolidayRow(date(2031, 4, 14), "Easter Monday"))
    ]
    assert [one.column for one in holidays("2031-02-30,No day", "2031-04-14,").faults] == [
        "day",
        "name",
    ]
