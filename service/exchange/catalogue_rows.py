"""Catalogue lines as files."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from service.core.items import (
    HEAD_DESIGNS,
    ITEM_KINDS,
    SCREW_TYPES,
    SIDES,
    THREADS,
    check_item,
)
from service.exchange import row_checks as cells
from service.exchange.money import currency, minor_units, price
from service.exchange.row_checks import NAME_LENGTH, REF_LENGTH, TEXT_LENGTH, Problem
from service.exchange.row_tables import Column, Complaint, Format, Parsed, Unique, parse_rows
from service.exchange.spreadsheets import Sheet
from service.exchange.workbooks import Cell

__all__ = ["CatalogueRow", "read_catalogue"]

_MOST = 1_000_000
_EMDN = re.compile(r"[A-Z]\d{2,14}", re.ASCII)


def _emdn(cell: Cell) -> object:
    value = cell.strip() if isinstance(cell, str) else ""
    known = _EMDN.fullmatch(value)
    return value if known else Problem(f"'{str(cell)[:40]}' is no EMDN code, like P09120201")


@dataclass(frozen=True, slots=True)
class CatalogueRow:
    """One catalogue line; lengths in mm, angle in degrees, price in minor units."""

    ref: str
    kind: str
    description: str
    supplier: str
    supplied_sterile: bool
    reusable: bool
    pack_quantity: int
    gtin: str | None
    system: str | None
    length_mm: float | None
    diameter_mm: float | None
    angle_deg: float | None
    side: str | None
    screw_type: str | None
    head_design: str | None
    thread: str | None
    thread_length_mm: float | None
    holes: int | None
    barrel_mm: float | None
    bow_radius_mm: float | None
    unit_price_minor: int | None
    currency: str | None
    lead_time_days: int | None
    emdn_code: str | None
    turnaround_minutes: int | None


def _catalogue_row(values: Mapping[str, Any]) -> CatalogueRow | list[Complaint]:
    complaints: list[Complaint] = [(fault.field, fault.reason) for fault in check_item(values)]
    facts = dict(values)
    amount = facts.pop("unit_price")
    facts["unit_price_minor"] = None
    if isinstance(amount, Decimal):
        if facts["currency"] is None:
            complaints.append(("currency", "a price needs its currency"))
        else:
            minor = minor_units(amount, facts["currency"])
            if isinstance(minor, Problem):
                complaints.append(("unit_price", minor.reason))
            facts["unit_price_minor"] = minor
    return complaints or CatalogueRow(**facts)


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
    """Read catalogue lines: rules across columns as in `core.items`; REF and GTIN are unique."""
    return parse_rows(sheet, _CATALOGUE)
