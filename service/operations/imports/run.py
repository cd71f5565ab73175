"""Run an import: read, compare, and write all of it, or nothing, or the good rows."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

from service.errors import BadInput, FieldFault
from service.exchange.sheets import columns
from service.exchange.sheets.tables import Parsed, RowFault
from service.exchange.sheets.workbook import MAX_FAULTS, Sheet, read_sheet
from service.operations.imports.catalogue import plan_catalogue, plan_holidays, plan_suppliers
from service.operations.imports.lists import plan_lists
from service.operations.imports.plan import CountedRows, ImportPlan
from service.operations.imports.stock import plan_deliveries, plan_stock_take, plan_usage
from service.operations.long_work import Report, no_report
from service.operations.planning.item_edits import Edits
from service.operations.work import Unit
from service.schemas.imports import ImportOut, RefusedRow

Reader = Callable[[Sheet], Parsed[Any]]


Planner = Callable[[Unit, Sequence[tuple[int, Any]]], ImportPlan]


#: Every kind of file: how it is read, and how it is compared with what is there.
FORMATS: dict[str, tuple[Reader, Planner]] = {
    "catalogue": (columns.read_catalogue, plan_catalogue),
    "stock-take": (columns.read_stock_take, plan_stock_take),
    "usage": (columns.read_usage, plan_usage),
    "lists": (columns.read_operating_lists, plan_lists),
    "deliveries": (columns.read_deliveries, plan_deliveries),
    "suppliers": (columns.read_suppliers, plan_suppliers),
    "holidays": (columns.read_holidays, plan_holidays),
}


#: Rows from which an import takes longer than somebody waits for a page. A case is checked row by
#: row, so that a list is slow sooner.
_MANY_ROWS, _MANY_CASES = 2_000, 100


#: A packed workbook holds roughly one row in so many bytes.
_BYTES_OF_A_ROW = 30


def is_long(form: str, data: bytes, filename: str) -> bool:
    """Tell, without reading a file, whether its import is better done while its owner watches."""
    packed = filename.lower().endswith(".xlsx")
    rows = len(data) // _BYTES_OF_A_ROW if packed else data.count(b"\n")
    return rows > (_MANY_CASES if form == "lists" else _MANY_ROWS)


def import_file(
    unit: Unit,
    form: str,
    data: bytes,
    filename: str,
    *,
    take_good_rows: bool,
    acknowledged: str = "",
    report: Report = no_report,
) -> ImportOut:
    """Import a file.

    Parameters
    ----------
    acknowledged
        What a refusal gave that showed whom changes of the catalogue touch; empty before that.
    report
        Is told how far it is: reading, comparing and writing, row by row.

    Raises
    ------
    BadInput
        When a row is wrong and the good rows were not asked for: names row, column and reason.
    Conflict
        When cases or units rest on a changed line and who asks has not seen which.
    """
    read, _ = FORMATS[form]
    report("opening the file", 0, 0)
    sheet = read_sheet(data, filename)
    parsed = read(replace(sheet, rows=CountedRows(sheet.rows, "reading rows", report)))
    return import_rows(
        unit,
        form,
        parsed,
        take_good_rows=take_good_rows,
        acknowledged=acknowledged,
        report=report,
    )


def import_rows(
    unit: Unit,
    form: str,
    parsed: Parsed[Any],
    *,
    take_good_rows: bool,
    acknowledged: str = "",
    report: Report = no_report,
) -> ImportOut:
    """Import rows that have been read."""
    _, make_plan = FORMATS[form]
    plan = make_plan(unit, CountedRows(parsed.good, "comparing with existing records", report))
    faults = [*parsed.faults, *plan.faults]
    beyond = parsed.more_faults + max(0, len(faults) - MAX_FAULTS)
    faults = sorted(faults[:MAX_FAULTS], key=lambda fault: fault.row)
    # A wrong header is no wrong row: no row could be read, so there are no good ones to take.
    if faults and (not take_good_rows or faults[0].row == 1):
        raise _refusal(faults, beyond)
    edits = Edits(unit, plan.edits, acknowledged) if plan.edits else None
    # One step may write every row at once; then nobody can tell how far it is.
    steps = (
        plan.write if len(plan.write) == 1 else CountedRows(plan.write, "writing changes", report)
    )
    report("writing changes", 0, 0)
    for step in steps:
        step()
    unit.session.flush()
    if edits is not None:
        edits.check_again()
    return ImportOut(
        format=form,
        added=plan.added,
        changed=plan.changed,
        unchanged=plan.unchanged,
        refused=[
            RefusedRow(row=fault.row, column=fault.column, reason=fault.reason) for fault in faults
        ],
        refused_not_listed=beyond,
        notes=plan.notes,
    )


def _refusal(faults: Sequence[RowFault], beyond: int) -> BadInput:
    count = len(faults) + beyond
    more = f" {beyond} more are not listed." if beyond else ""
    return BadInput(
        f"The file has {count} {'error' if count == 1 else 'errors'}; nothing was saved.{more}",
        faults=[
            FieldFault(f"row {fault.row}, column {fault.column}", fault.reason) for fault in faults
        ],
    )
