"""What happened in the demo hospital after its lists were planned: confirmations, then counts."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from service.exchange import row_checks as cells
from service.exchange.row_checks import NAME_LENGTH, REF_LENGTH
from service.exchange.row_tables import Column, Format, Parsed, parse_rows
from service.exchange.rows import StockRow, read_stock_take
from service.exchange.spreadsheets import Sheet
from service.operations.cases import get_case
from service.operations.confirming import confirm
from service.operations.ledger import record
from service.operations.schemas.stock import CountBody, LocationBody
from service.operations.unit import Unit

__all__ = ["SCENES", "ConfirmationRow", "confirm_cases", "count_again", "read_confirmations"]


@dataclass(frozen=True, slots=True)
class ConfirmationRow:
    """A case whose backups somebody has confirmed."""

    case_reference: str
    confirmed_by: str


def _confirmation(values: Mapping[str, object]) -> ConfirmationRow:
    return ConfirmationRow(str(values["case_reference"]), str(values["confirmed_by"]))


_CONFIRMATIONS = Format(
    columns=(
        Column("case_reference", cells.code(REF_LENGTH), required=True),
        Column("confirmed_by", cells.code(NAME_LENGTH), required=True),
    ),
    build=_confirmation,
    check=lambda _row: [],
    unique=(),
)


def read_confirmations(sheet: Sheet) -> Parsed[ConfirmationRow]:
    """Read which cases are confirmed, and by whom."""
    return parse_rows(sheet, _CONFIRMATIONS)


def confirm_cases(unit: Unit, rows: Sequence[ConfirmationRow]) -> None:
    """Confirm the backups of cases as they are checked now, in their current revision."""
    for row in rows:
        case = get_case(unit, row.case_reference)
        revision = case.plan.revision if case.plan is not None else 0
        surgeon = replace(unit, actor=row.confirmed_by)
        confirm(surgeon, row.case_reference, revision, case.version)


def count_again(unit: Unit, rows: Sequence[StockRow]) -> None:
    """Count lots on their shelves; what is promised of units that are gone is given up."""
    for row in rows:
        body = CountBody.model_validate(
            {
                "kind": "count",
                "ref": row.ref,
                "lot": row.lot,
                "serial": row.serial,
                "ownership": row.ownership,
                "at": LocationBody(store=row.store, shelf=row.shelf),
                "counted": row.quantity,
                "reason": "counted again",
            }
        )
        record(unit, body)


#: Files that tell what happened next, in order: how each is read, and what is done with its rows.
SCENES: tuple[tuple[str, Callable[[Sheet], Parsed[Any]], Callable[[Unit, Any], None]], ...] = (
    ("confirmations.csv", read_confirmations, confirm_cases),
    ("changes.csv", read_stock_take, count_again),
)
