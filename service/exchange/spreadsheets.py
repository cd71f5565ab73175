"""An uploaded CSV or XLSX file as a table of cells, or a refusal that says where and why."""

import codecs
import csv
import io
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import PurePath
from typing import BinaryIO

from service.errors import BadInput, FieldFault, TooLarge
from service.exchange.workbook_zip import MAX_COLUMNS, MAX_ROWS
from service.exchange.workbooks import Cell, read_workbook

__all__ = ["MAX_FAULTS", "MAX_UPLOAD_BYTES", "Cell", "RawRow", "Sheet", "read_sheet"]

MAX_UPLOAD_BYTES = 20_000_000
#: Faults listed in one answer; how many more there are is said beside them.
MAX_FAULTS = 200

_DELIMITERS = ",;\t"
_UTF16_MARKS = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)


@dataclass(frozen=True, slots=True)
class RawRow:
    """One row as a person sees it: `number` counts the header as row 1."""

    number: int
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    """A table as it was typed: column names in lower case, and rows as long as those.

    Blank rows are left out; an empty cell is ``None``; a CSV cell is always text.
    """

    columns: tuple[str, ...]
    rows: list[RawRow]


def read_sheet(source: bytes | BinaryIO, filename: str) -> Sheet:
    r"""Read an uploaded file, judged by its content; the name only has to fit it.

    Parameters
    ----------
    source
        The file's bytes, or an open binary file, of at most 20 MB.
    filename
        Its name, ending in ``.csv``, ``.txt`` or ``.xlsx``.

    Returns
    -------
    Sheet
        Header and rows.

    Raises
    ------
    BadInput
        The file is of another kind, damaged, in an unknown encoding, has no header or a doubtful
        one, or a row is longer than the header.
    TooLarge
        More than 20 MB, 200,000 rows, 60 columns, or what `workbook_zip` limits.

    Examples
    --------
    >>> read_sheet(b"Ref;Quantity\nL-95;2\n", "count.csv")
    Sheet(columns=('ref', 'quantity'), rows=[RawRow(number=2, cells=('L-95', '2'))])
    """
    data = source if isinstance(source, bytes) else source.read(MAX_UPLOAD_BYTES + 1)
    if len(data) > MAX_UPLOAD_BYTES:
        raise TooLarge(f"The file is larger than {MAX_UPLOAD_BYTES // 1_000_000} MB.")
    ending = PurePath(filename).suffix.lower()
    if ending in (".xls", ".xlsm", ".xlsb", ".ods"):
        raise BadInput(f"A {ending} file is not read; save it as .xlsx or as CSV (UTF-8).")
    if ending not in (".csv", ".txt", ".xlsx"):
        raise BadInput("The file must be a CSV (.csv) or a workbook (.xlsx).")
    return _table(read_workbook(data) if ending == ".xlsx" else _read_csv(data))


def _read_csv(data: bytes) -> list[list[Cell]]:
    text = _decoded(data)
    if "\0" in text:
        row = text[: text.index("\0")].count("\n") + 1
        raise BadInput(
            "The file holds NUL bytes: it is no CSV text.",
            faults=[FieldFault(f"row {row}", "holds a NUL byte")],
        )
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(text), strict=True)
    rows: list[list[Cell]] = []
    try:
        for cells in reader:
            if len(rows) >= MAX_ROWS:
                raise TooLarge(f"The file has more than {MAX_ROWS:,} rows.")
            rows.append([cell if cell and not cell.isspace() else None for cell in cells])
    except csv.Error as error:
        raise BadInput(
            "A row cannot be read as CSV.",
            faults=[FieldFault(f"row {len(rows) + 1}", f"quotes do not match up ({error})")],
        ) from error
    return rows


def _decoded(data: bytes) -> str:
    encoding = "utf-16" if data.startswith(_UTF16_MARKS) else "utf-8-sig"
    try:
        return data.decode(encoding)
    except UnicodeDecodeError as error:
        row = data[: error.start].count(b"\n") + 1
        raise BadInput(
            "The file is neither UTF-8 nor UTF-16; save it as 'CSV UTF-8'. Other encodings are not "
            "guessed: letters would change.",
            faults=[FieldFault(f"row {row}", f"byte {error.start} is not {encoding[:6]}")],
        ) from error


def _delimiter(text: str) -> str:
    header = next((line for line in text.splitlines() if line.strip()), "")
    counts = {mark: header.count(mark) for mark in _DELIMITERS}
    used = [mark for mark, count in counts.items() if count]
    if len(used) > 1:
        raise BadInput(
            "The header is divided in two ways; use commas, semicolons or tabs throughout.",
            faults=[FieldFault("row 1", f"holds {' and '.join(repr(mark) for mark in used)}")],
        )
    return used[0] if used else ","


def _table(rows: list[list[Cell]]) -> Sheet:
    if not rows or all(cell is None for cell in rows[0]):
        raise BadInput(
            "Row 1 must hold the column names.", faults=[FieldFault("row 1", "is empty")]
        )
    if len(rows) > MAX_ROWS:
        raise TooLarge(f"The file has more than {MAX_ROWS:,} rows.")
    columns = _header(rows[0])
    width = len(columns)
    kept, faults = [], []
    for number, cells in enumerate(rows[1:], start=2):
        beyond = [cell for cell in cells[width:] if cell is not None]
        if beyond:
            faults.append(
                FieldFault(
                    f"row {number}",
                    f"has {len(cells)} cells, the header has {width}: {beyond[0]!r}",
                )
            )
        elif any(cell is not None for cell in cells):
            padding = (None,) * (width - len(cells))
            kept.append(RawRow(number, (*cells[:width], *padding)))
    _raise(faults, "Some rows have more cells than the header.")
    return Sheet(columns, kept)


def _header(cells: list[Cell]) -> tuple[str, ...]:
    while cells and cells[-1] is None:
        cells = cells[:-1]
    if len(cells) > MAX_COLUMNS:
        raise TooLarge(f"The file has more than {MAX_COLUMNS} columns.")
    columns = tuple(cell.strip().lower() if isinstance(cell, str) else "" for cell in cells)
    faults = []
    for place, name in enumerate(columns):
        if not name:
            faults.append(FieldFault(f"row 1, column {place + 1}", "has no name"))
        elif name in columns[:place]:
            reason = f"the same name as column {columns.index(name) + 1}"
            faults.append(FieldFault(f"row 1, column {name}", reason))
    _raise(faults, "The header is not clear.")
    return columns


def _raise(faults: Iterable[FieldFault], detail: str) -> None:
    found = list(faults)
    if found:
        more = max(0, len(found) - MAX_FAULTS)
        said = f"{detail} {more} more are not listed." if more else detail
        raise BadInput(said, faults=found[:MAX_FAULTS], facts={"faults_not_listed": more})
