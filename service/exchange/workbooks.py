"""The first sheet of an XLSX workbook as rows of typed cells."""

import io
import re
from datetime import date, time, timedelta

from python_calamine import CalamineError, CalamineSheet, CalamineWorkbook

from service.errors import BadInput, FieldFault
from service.exchange.workbook_zip import repack

__all__ = ["Cell", "read_workbook"]

#: A cell exactly as the file holds it; whole numbers are int. `date` takes in date-times.
Cell = str | int | float | bool | date | time | None

_LARGEST_EXACT = 10**15
_PREFIX = rb"(?:[^\s<>/!?=:]+:)?"
_WHERE = rb"<" + _PREFIX + rb"c\s+r\s*=\s*[\"']([A-Z]+)(\d+)[\"']"
_ERROR = re.compile(_WHERE + rb"[^>]*\st\s*=\s*[\"']e[\"']")
# A formula whose result was never saved reads as an empty cell.
_UNSAVED = re.compile(
    _WHERE
    + rb"[^>]*>\s*<"
    + _PREFIX
    + rb"f(?:\s[^>]*)?(?:/>|>[^<]*</[^>]*f>)\s*(?:<[^>]*v\s*/>|<[^>/]*v[^>]*>\s*</|</[^>]*c>)"
)
_FORMULA = re.compile(rb"<f[\s/>]")
_MAX_NAMED = 20


def read_workbook(data: bytes) -> list[list[Cell]]:
    """Read the first sheet of a workbook, row 1 first, empty cells as ``None``.

    Parameters
    ----------
    data
        An XLSX file of at most the size `spreadsheets.read_sheet` takes.

    Returns
    -------
    list of list
        One list for each row from row 1 on, blank rows included.

    Raises
    ------
    BadInput
        Not a readable workbook; more than one sheet with content; a cell with an error or with a
        formula whose result was not saved (both would read as empty).
    TooLarge
        Beyond a limit of `service.exchange.workbook_zip`.
    """
    checked, sheets_xml = repack(data)
    try:
        with CalamineWorkbook.from_filelike(io.BytesIO(checked)) as workbook:
            names = workbook.sheet_names
            sheets = [workbook.get_sheet_by_name(name) for name in names]
            _refuse_further(names, sheets)
            rows = sheets[0].to_python(skip_empty_area=False) if sheets else []
    except (CalamineError, OSError, ValueError) as error:
        raise BadInput(
            "The workbook cannot be read; open it in a spreadsheet program and save it again."
        ) from error
    for xml in sheets_xml:
        _refuse_unread(xml)
    return [
        [_text(value) if isinstance(value, str) else _cell(value) for value in row] for row in rows
    ]


def _refuse_further(names: list[str], sheets: list[CalamineSheet]) -> None:
    filled = [name for name, sheet in zip(names[1:], sheets[1:], strict=True) if sheet.height]
    if filled:
        listed = ", ".join(f"'{name}'" for name in filled[:_MAX_NAMED])
        raise BadInput(
            "Only the first sheet is read, and there are others with content.",
            faults=[FieldFault(f"sheet {listed}", "has content: put it in a file of its own")],
        )


def _refuse_unread(xml: bytes) -> None:
    # The plain tests spare nearly every file two slow searches.
    searches = []
    if b'"e"' in xml or b"'e'" in xml:
        searches.append((_ERROR, "the cell shows an error instead of a value"))
    if _FORMULA.search(xml) or b":f" in xml:
        searches.append((_UNSAVED, "a formula without a saved result: paste its value"))
    faults = [
        FieldFault(f"row {int(row)}, column {column.decode()}", reason)
        for pattern, reason in searches
        for column, row in pattern.findall(xml)[:_MAX_NAMED]
    ]
    if faults:
        raise BadInput("Some cells hold no value that can be read.", faults=faults)


def _text(value: str) -> str | None:
    return value if value and not value.isspace() else None


def _cell(value: float | bool | date | time | timedelta) -> Cell:
    if isinstance(value, float):
        return int(value) if value.is_integer() and abs(value) < _LARGEST_EXACT else value
    # A duration is no value any column takes; its text form is refused there by name.
    return str(value) if isinstance(value, timedelta) else value
