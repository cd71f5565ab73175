"""Stock takes, usage history and deliveries as files."""

from dataclasses import dataclass
from datetime import date, datetime

from service.core.items import OWNERSHIPS, STERILITIES
from service.exchange import row_checks as cells
from service.exchange.row_checks import LOT_LENGTH, NAME_LENGTH, REF_LENGTH
from service.exchange.row_tables import Column, Complaint, Format, Parsed, Unique, parse_rows
from service.exchange.spreadsheets import Sheet

__all__ = [
    "DeliveryRow",
    "StockRow",
    "UsageRow",
    "read_deliveries",
    "read_stock_take",
    "read_usage",
]

_MOST = 1_000_000


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
        return [("return_by", "a loan has a date to go back by")]
    if ownership == "owned" and return_by is not None:
        return [("return_by", "what the hospital owns does not go back; say loan or consigned")]
    return []


def _check_stock(row: StockRow) -> list[Complaint]:
    complaints = _loan(row.ownership, row.return_by)
    if row.lot is None and row.serial is None:
        complaints.append(("lot", "a lot or a serial is needed to find it in a recall"))
    if row.serial is not None and row.quantity > 1:
        complaints.append(("quantity", "one serial is one unit"))
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
        complaints.append(("usable_from", "write both times with an offset or both without"))
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
