"""The files people bring: catalogue, suppliers, stock, usage history, deliveries, lists.

Nothing here knows the database: a REF is text, and whether it exists is asked later.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time
from decimal import Decimal
from typing import Any, get_args

from service.core.case_times import ends_on
from service.core.catalogue import (
    HEAD_DESIGNS,
    ITEM_KINDS,
    OWNERSHIPS,
    SCREW_TYPES,
    SIDES,
    STERILITIES,
    THREADS,
    ItemFacts,
    check_item,
)
from service.core.fractures.classification import WALL_STATES, FractureError, read_class
from service.core.fractures.findings import (
    BoneQuality,
    CoronalFragment,
    ExistingMetal,
    MedialFragment,
    Pattern,
    ShaftExtension,
)
from service.core.shortfalls.deadlines import EVERY_DAY, days_fault
from service.exchange.sheets import cells
from service.exchange.sheets.cells import (
    LOT_LENGTH,
    NAME_LENGTH,
    REF_LENGTH,
    TEXT_LENGTH,
    CellProblem,
)
from service.exchange.sheets.money import currency, minor_units, price
from service.exchange.sheets.tables import Column, Complaint, Format, Parsed, Unique, parse_rows
from service.exchange.sheets.workbook import Cell, Sheet

_MOST = 1_000_000


_EMDN = re.compile(r"[A-Z]\d{2,14}", re.ASCII)


def _emdn(cell: Cell) -> object:
    value = cell.strip() if isinstance(cell, str) else ""
    known = _EMDN.fullmatch(value)
    return (
        value
        if known
        else CellProblem(f"'{str(cell)[:40]}' is not an EMDN code, such as P09120201")
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class CatalogueRow(ItemFacts):
    """One catalogue line with what it takes to buy it; the price in minor units."""

    supplier: str
    pack_quantity: int
    gtin: str | None
    unit_price_minor: int | None
    currency: str | None
    lead_time_days: int | None
    emdn_code: str | None


def _catalogue_row(values: Mapping[str, Any]) -> CatalogueRow | list[Complaint]:
    complaints: list[Complaint] = [(fault.field, fault.reason) for fault in check_item(values)]
    facts = dict(values)
    facts["unit_price_minor"] = _take_minor_units(
        facts, "unit_price", "a price needs a currency", complaints
    )
    return complaints or CatalogueRow(**facts)


def _take_minor_units(
    facts: dict[str, Any], column: str, without_currency: str, complaints: list[Complaint]
) -> int | None:
    """Take an amount out of a row and return it in minor units of the row's currency."""
    amount, currency = facts.pop(column), facts["currency"]
    if not isinstance(amount, Decimal):
        return None
    if not currency:
        complaints.append(("currency", without_currency))
        return None
    minor = minor_units(amount, currency)
    if isinstance(minor, CellProblem):
        complaints.append((column, minor.reason))
        return None
    return minor


_CATALOGUE = Format(
    columns=(
        Column("ref", cells.code(REF_LENGTH), required=True),
        Column("gtin", cells.gtin),
        Column("kind", cells.choice(ITEM_KINDS), required=True),
        Column("system", cells.text(NAME_LENGTH)),
        Column("description", cells.text(TEXT_LENGTH), required=True),
        Column("supplier", cells.text(NAME_LENGTH), required=True),
        Column("length_mm", cells.number),
        Column("diameter_mm", cells.number),
        Column("angle_deg", cells.number),
        Column("side", cells.choice(SIDES)),
        Column("screw_type", cells.choice(SCREW_TYPES)),
        Column("head_design", cells.choice(HEAD_DESIGNS)),
        Column("thread", cells.choice(THREADS)),
        Column("thread_length_mm", cells.number),
        Column("holes", cells.whole(0, _MOST)),
        Column("barrel_mm", cells.number),
        Column("bow_radius_mm", cells.number),
        Column("supplied_sterile", cells.yes_no, required=True),
        Column("reusable", cells.yes_no, required=True),
        Column("pack_quantity", cells.whole(1, 10_000), default=1),
        Column("unit_price", price),
        Column("currency", currency),
        Column("lead_time_days", cells.whole(0, 3650)),
        Column("emdn_code", _emdn),
        Column("turnaround_minutes", cells.whole(0, 10_080)),
    ),
    build=_catalogue_row,
    check=lambda _row: [],
    unique=(
        Unique("ref", "this REF", lambda row: row.ref),
        Unique("gtin", "this GTIN", lambda row: row.gtin),
    ),
)


def read_catalogue(sheet: Sheet) -> Parsed[CatalogueRow]:
    """Read catalogue lines, ruled across columns by `core.catalogue`; REF and GTIN are unique."""
    return parse_rows(sheet, _CATALOGUE)


@dataclass(frozen=True, slots=True)
class OperatingListRow:
    """One case of a list: date and times local to the site, sizes as measured on the film in mm.

    ``None`` and ``unknown`` both say that nobody has said; neither says no.
    """

    list_date: date
    theatre: str
    starts: time
    ends: time
    twice: str | None
    case_reference: str
    position: int
    side: str
    sex: str
    fracture_class: str | None
    class_year: int | None
    neck_film_mm: float | None
    canal_film_mm: float | None
    nail_length_mm: float | None
    marker_film_mm: float | None
    marker_true_mm: float | None
    lateral_wall_mm: float | None
    lateral_wall: str
    medial_fragment: str
    coronal_fragment: str
    pattern: str
    bone_quality: str
    existing_metal: str
    shaft_extension: str
    primary: str | None
    alternates: tuple[str, ...]


def _check(row: OperatingListRow) -> list[Complaint]:
    complaints = _class_problem(row)
    if ends_on(row.list_date, row.starts, row.ends) is None:
        complaints.append(("ends", "is not after the start, nor within 12 hours over midnight"))
    if (row.fracture_class is None) != (row.class_year is None):
        complaints.append(("class_year", "a class needs its year: enter both or neither"))
    if (row.marker_film_mm is None) != (row.marker_true_mm is None):
        complaints.append(("marker_true_mm", "a marker needs its true size: enter both or neither"))
    if row.primary is None and row.alternates:
        complaints.append(("primary", "backups need a planned construct in the column primary"))
    if row.primary in row.alternates:
        complaints.append(("alternates", f"{row.primary} is already the planned construct"))
    return complaints


def _class_problem(row: OperatingListRow) -> list[Complaint]:
    if row.fracture_class is None or row.class_year is None:
        return []
    try:
        read_class(row.fracture_class, row.class_year)
    except FractureError as error:
        return [("fracture_class", error.reason)]
    return []


def _finding(name: str, words: tuple[str, ...]) -> Column:
    return Column(name, cells.choice(words), default="unknown")


_FORMAT = Format(
    columns=(
        Column("list_date", cells.iso_date, required=True),
        Column("theatre", cells.code(NAME_LENGTH), required=True),
        Column("starts", cells.clock, required=True),
        Column("ends", cells.clock, required=True),
        Column("twice", cells.choice(("first", "second"))),
        Column("case_reference", cells.code(REF_LENGTH), required=True),
        Column("position", cells.whole(1, 100), required=True),
        Column("side", cells.choice(("left", "right")), required=True),
        Column("sex", cells.choice(("F", "M", "unknown")), default="unknown"),
        Column("fracture_class", cells.code(20)),
        Column("class_year", cells.whole(1980, 2100)),
        Column("neck_film_mm", cells.size_mm),
        Column("canal_film_mm", cells.size_mm),
        Column("nail_length_mm", cells.size_mm),
        Column("marker_film_mm", cells.size_mm),
        Column("marker_true_mm", cells.size_mm),
        Column("lateral_wall_mm", cells.size_mm),
        _finding("lateral_wall", WALL_STATES),
        _finding("medial_fragment", get_args(MedialFragment)),
        _finding("coronal_fragment", get_args(CoronalFragment)),
        _finding("pattern", get_args(Pattern)),
        _finding("bone_quality", get_args(BoneQuality)),
        _finding("existing_metal", get_args(ExistingMetal)),
        _finding("shaft_extension", get_args(ShaftExtension)),
        Column("primary", cells.planned),
        Column("alternates", cells.planned_list, default=()),
    ),
    build=lambda values: OperatingListRow(**values),  # type: ignore[arg-type]  # typed by readers
    check=_check,
    unique=(
        Unique("case_reference", "this case", lambda row: row.case_reference),
        Unique(
            "position",
            "this position of the same list",
            lambda row: (row.list_date, row.theatre, row.position),
        ),
    ),
)


def read_operating_lists(sheet: Sheet) -> Parsed[OperatingListRow]:
    """Read operating lists; a case stands in one place only, a position holds one case."""
    return parse_rows(sheet, _FORMAT)


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
    return value if fault is None else CellProblem(fault)


def _scheme(cell: Cell) -> object:
    value = _SCHEME(cell)
    if isinstance(value, str) and not (value.isascii() and value.isdigit() and len(value) == 4):  # noqa: PLR2004 - ISO/IEC 6523 codes have four digits
        return CellProblem(f"'{value}' is not a scheme of four digits, such as 0088")
    return value


def _country(cell: Cell) -> object:
    value = _COUNTRY(cell)
    if isinstance(value, str) and not (value.isascii() and value.isalpha() and value.isupper()):
        return CellProblem(f"'{value}' is not a country code of two capital letters, such as GB")
    return value


def _supplier_row(values: Mapping[str, Any]) -> SupplierRow | list[Complaint]:
    facts = dict(values)
    complaints: list[Complaint] = []
    minor = _take_minor_units(
        facts, "minimum_order", "a minimum order needs a currency", complaints
    )
    facts["minimum_order_minor"] = minor or 0
    if bool(facts["endpoint_id"]) != bool(facts["endpoint_scheme"]):
        column = "endpoint_scheme" if facts["endpoint_id"] else "endpoint_id"
        complaints.append((column, "enter both the electronic address and its scheme"))
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


@dataclass(frozen=True, slots=True)
class StockRow:
    """One line of a stock take: so many of a lot or serial on a shelf."""

    ref: str
    lot: str | None
    serial: str | None
    use_by: date | None
    quantity: int
    store: str
    shelf: str
    ownership: str
    return_by: date | None
    sterility: str | None


@dataclass(frozen=True, slots=True)
class UsageRow:
    """So many of an item used on a day, local to the site."""

    used_on: date
    ref: str
    quantity: int
    lot: str | None
    case_reference: str | None
    outcome: str


@dataclass(frozen=True, slots=True)
class DeliveryRow:
    """So many of an item expected; times without an offset are local to the site."""

    reference: str
    ref: str
    quantity: int
    ownership: str
    due_at: datetime | None
    usable_from: datetime | None
    return_by: date | None
    supplier: str | None


_REF = Column("ref", cells.code(REF_LENGTH), required=True)


_OWNERSHIP = Column("ownership", cells.choice(OWNERSHIPS), default="owned")


_RETURN_BY = Column("return_by", cells.iso_date)


def _loan(ownership: str, return_by: date | None) -> list[Complaint]:
    if ownership == "loan" and return_by is None:
        return [("return_by", "a loan needs its return date")]
    if ownership == "owned" and return_by is not None:
        return [("return_by", "owned stock has no return date; enter loan or consigned")]
    return []


def _check_stock(row: StockRow) -> list[Complaint]:
    complaints = _loan(row.ownership, row.return_by)
    if row.lot is None and row.serial is None:
        complaints.append(("lot", "enter a lot or a serial, so that it can be found in a recall"))
    if row.serial is not None and row.quantity > 1:
        complaints.append(("quantity", "a serial is for one unit only"))
    return complaints


_STOCK_TAKE = Format(
    columns=(
        _REF,
        Column("lot", cells.code(LOT_LENGTH)),
        Column("serial", cells.code(LOT_LENGTH)),
        Column("use_by", cells.iso_date),
        Column("quantity", cells.whole(0, _MOST), required=True),
        Column("store", cells.code(NAME_LENGTH), required=True),
        Column("shelf", cells.code(NAME_LENGTH), required=True),
        _OWNERSHIP,
        _RETURN_BY,
        Column("sterility", cells.choice(STERILITIES)),
    ),
    build=lambda values: StockRow(**values),  # type: ignore[arg-type]  # typed by its readers
    check=_check_stock,
    unique=(
        Unique(
            "ref",
            "this REF with the same lot, shelf and ownership",
            lambda row: (
                (row.ref, row.lot, row.store, row.shelf, row.ownership)
                if row.serial is None
                else None
            ),
        ),
        Unique(
            "serial",
            "this serial",
            lambda row: None if row.serial is None else (row.ref, row.serial),
        ),
    ),
)


_USAGE = Format(
    columns=(
        Column("used_on", cells.iso_date, required=True),
        _REF,
        Column("quantity", cells.whole(1, _MOST), required=True),
        Column("lot", cells.code(LOT_LENGTH)),
        Column("case_reference", cells.code(REF_LENGTH)),
        Column("outcome", cells.choice(("implanted", "wasted")), default="implanted"),
    ),
    build=lambda values: UsageRow(**values),  # type: ignore[arg-type]  # typed by its readers
    check=lambda _row: [],
    unique=(
        Unique(
            "ref",
            "the same use (day, REF, lot, case and outcome)",
            lambda row: (row.used_on, row.ref, row.lot, row.case_reference, row.outcome),
        ),
    ),
)


def _check_delivery(row: DeliveryRow) -> list[Complaint]:
    complaints = _loan(row.ownership, row.return_by)
    due, usable = row.due_at, row.usable_from
    if due is None or usable is None:
        return complaints
    if (due.tzinfo is None) != (usable.tzinfo is None):
        complaints.append(("usable_from", "enter both times with a UTC offset, or both without"))
    elif usable < due:
        complaints.append(("usable_from", "usable before it is due"))
    return complaints


_DELIVERIES = Format(
    columns=(
        Column("reference", cells.code(REF_LENGTH), required=True),
        _REF,
        Column("quantity", cells.whole(1, _MOST), required=True),
        _OWNERSHIP,
        Column("due_at", cells.moment),
        Column("usable_from", cells.moment),
        _RETURN_BY,
        Column("supplier", cells.text(NAME_LENGTH)),
    ),
    build=lambda values: DeliveryRow(**values),  # type: ignore[arg-type]  # typed by its readers
    check=_check_delivery,
    unique=(Unique("ref", "this REF of the same delivery", lambda row: (row.reference, row.ref)),),
)


def read_stock_take(sheet: Sheet) -> Parsed[StockRow]:
    """Read counted stock: a lot or a serial each, and a date to go back by for loans."""
    return parse_rows(sheet, _STOCK_TAKE)


def read_usage(sheet: Sheet) -> Parsed[UsageRow]:
    """Read what was implanted or wasted in the past."""
    return parse_rows(sheet, _USAGE)


def read_deliveries(sheet: Sheet) -> Parsed[DeliveryRow]:
    """Read what is on its way."""
    return parse_rows(sheet, _DELIVERIES)
