"""Suppliers and days without deliveries as files."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, time
from decimal import Decimal
from typing import Any

from service.core.calendar import EVERY_DAY, days_fault
from service.exchange import row_checks as cells
from service.exchange.money import currency, minor_units, price
from service.exchange.row_checks import NAME_LENGTH, Problem
from service.exchange.row_tables import Column, Complaint, Format, Parsed, Unique, parse_rows
from service.exchange.spreadsheets import Sheet
from service.exchange.workbooks import Cell

__all__ = ["HolidayRow", "SupplierRow", "read_holidays", "read_suppliers"]


@dataclass(frozen=True, slots=True)
class SupplierRow:
    """How one supplier works; money in minor units, the cut-off on the site's clock."""

    name: str
    minimum_order_minor: int
    currency: str
    works_on: str
    cut_off: time | None
    endpoint_scheme: str
    endpoint_id: str
    country: str
    is_loan_lender: bool


@dataclass(frozen=True, slots=True)
class HolidayRow:
    """A day on which the site neither sends nor receives."""

    day: date
    name: str


_WEEK = cells.text(7)
_SCHEME = cells.text(4)
_COUNTRY = cells.text(2)
_ENDPOINT = cells.code(80)


def _works_on(cell: Cell) -> object:
    value = _WEEK(cell)
    if not isinstance(value, str):
        return value
    fault = days_fault(value)
    return value if fault is None else Problem(fault)


def _scheme(cell: Cell) -> object:
    value = _SCHEME(cell)
    if isinstance(value, str) and not (value.isascii() and value.isdigit() and len(value) == 4):  # noqa: PLR2004 - ISO/IEC 6523 codes have four digits
        return Problem(f"'{value}' is no scheme of four digits, like 0088")
    return value


def _country(cell: Cell) -> object:
    value = _COUNTRY(cell)
    if isinstance(value, str) and not (value.isascii() and value.isalpha() and value.isupper()):
        return Problem(f"'{value}' is no country of two capital letters, like GB")
    return value


def _supplier_row(values: Mapping[str, Any]) -> SupplierRow | list[Complaint]:
    facts = dict(values)
    amount = facts.pop("minimum_order")
    facts["minimum_order_minor"] = 0
    complaints: list[Complaint] = []
    if isinstance(amount, Decimal):
        if not facts["currency"]:
            complaints.append(("currency", "a least order value needs its currency"))
        else:
            minor = minor_units(amount, facts["currency"])
            if isinstance(minor, Problem):
                complaints.append(("minimum_order", minor.reason))
            facts["minimum_order_minor"] = minor
    if bool(facts["endpoint_id"]) != bool(facts["endpoint_scheme"]):
        column = "endpoint_scheme" if facts["endpoint_id"] else "endpoint_id"
        complaints.append((column, "an electronic address has an id and its scheme"))
    return complaints or SupplierRow(**facts)


_SUPPLIERS = Format(
    columns=(
        Column("name", cells.text(NAME_LENGTH), required=True),
        Column("minimum_order", price),
        Column("currency", currency, default=""),
        Column("works_on", _works_on, default=EVERY_DAY),
        Column("cut_off", cells.clock),
        Column("endpoint_scheme", _scheme, default=""),
        Column("endpoint_id", _ENDPOINT, default=""),
        Column("country", _country, default=""),
        Column("is_loan_lender", cells.yes_no, default=False),
    ),
    build=_supplier_row,
    check=lambda _row: [],
    unique=(Unique("name", "this supplier", lambda row: row.name),),
)

_HOLIDAYS = Format(
    columns=(
        Column("day", cells.iso_date, required=True),
        Column("name", cells.text(NAME_LENGTH), required=True),
    ),
    build=lambda values: HolidayRow(**values),  # type: ignore[arg-type]  # typed by its readers
    check=lambda _row: [],
    unique=(Unique("day", "this day", lambda row: row.day),),
)


def read_suppliers(sheet: Sheet) -> Parsed[SupplierRow]:
    """Read suppliers: working days, cut-off, least order value, electronic address."""
    return parse_rows(sheet, _SUPPLIERS)


def read_holidays(sheet: Sheet) -> Parsed[HolidayRow]:
    """Read the days on which the site neither sends nor receives."""
    return parse_rows(sheet, _HOLIDAYS)
