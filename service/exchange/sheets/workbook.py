"""The first sheet of an XLSX workbook as rows of typed cells."""

import codecs
import csv
import io
import re
import zipfile
import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, time, timedelta
from pathlib import PurePath
from typing import BinaryIO

from python_calamine import CalamineError, CalamineSheet, CalamineWorkbook

from service.errors import BadInput, FieldFault, TooLarge

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
        Beyond a limit of `service.exchange.sheets.workbook`.
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
            "Only the first sheet is imported, and others have content.",
            faults=[FieldFault(f"sheet {listed}", "has content: save it as a separate file")],
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
        raise BadInput("Some cells have no value that can be read.", faults=faults)


def _text(value: str) -> str | None:
    return value if value and not value.isspace() else None


def _cell(value: float | bool | date | time | timedelta) -> Cell:
    if isinstance(value, float):
        return int(value) if value.is_integer() and abs(value) < _LARGEST_EXACT else value
    # A duration is no value any column takes; its text form is refused there by name.
    return str(value) if isinstance(value, timedelta) else value


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
        raise BadInput(f"A {ending} file cannot be imported; save it as .xlsx or as CSV (UTF-8).")
    if ending not in (".csv", ".txt", ".xlsx"):
        raise BadInput("The file must be a CSV (.csv) or a workbook (.xlsx).")
    return _table(read_workbook(data) if ending == ".xlsx" else _read_csv(data))


def _read_csv(data: bytes) -> list[list[Cell]]:
    text = _decoded(data)
    if "\0" in text:
        row = text[: text.index("\0")].count("\n") + 1
        raise BadInput(
            "The file contains NUL bytes: it is not a CSV file.",
            faults=[FieldFault(f"row {row}", "contains a NUL byte")],
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
            faults=[FieldFault(f"row {len(rows) + 1}", "the quotation marks do not match")],
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
            "accepted: letters could change.",
            faults=[FieldFault(f"row {row}", f"byte {error.start} is not {encoding[:6]}")],
        ) from error


def _delimiter(text: str) -> str:
    header = next((line for line in text.splitlines() if line.strip()), "")
    counts = {mark: header.count(mark) for mark in _DELIMITERS}
    used = [mark for mark, count in counts.items() if count]
    if len(used) > 1:
        raise BadInput(
            "The header mixes separators; use commas, semicolons or tabs throughout.",
            faults=[FieldFault("row 1", f"contains {' and '.join(repr(mark) for mark in used)}")],
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
    _raise(faults, "The header has errors.")
    return columns


def _raise(faults: Iterable[FieldFault], detail: str) -> None:
    found = list(faults)
    if found:
        more = max(0, len(found) - MAX_FAULTS)
        said = f"{detail} {more} more are not listed." if more else detail
        raise BadInput(said, faults=found[:MAX_FAULTS], facts={"faults_not_listed": more})


#: Rows of a file, the header included, and columns.
MAX_ROWS = 200_000


MAX_COLUMNS = 60


MAX_MEMBERS = 200


#: All members together, decompressed.
MAX_EXPANDED_BYTES = 200_000_000


#: How often larger a member above 1 MB may become; spreadsheet XML packs 10 to 60 times.
MAX_RATIO = 200


RATIO_COUNTS_FROM_BYTES = 1_000_000


#: All text of all cells together, a shared text counted as often as it is used.
MAX_TEXT_BYTES = 200_000_000


_CHUNK = 1 << 20


_OLE_MAGIC = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"


_ENCRYPTED_FLAG = 0x1


_NEEDED = re.compile(
    r"\[Content_Types\]\.xml|_rels/\.rels|xl/workbook\.xml|xl/_rels/workbook\.xml\.rels"
    r"|xl/styles\.xml|xl/sharedStrings\.xml|xl/worksheets/[^/]+\.xml"
)


# A cell must say first where it stands, inside columns A to BH and rows 1 to 200000.
_OUTSIDE = (
    rb"c(?=[\s/>])"
    rb"(?!\s+r\s*=\s*[\"'](?:[A-Z]|A[A-Z]|B[A-H])(?:\d{1,5}|1\d{5}|200000)[\"'])"
)


_BAD_CELL = re.compile(rb"<" + _OUTSIDE)


_BAD_PREFIXED_CELL = re.compile(rb"<[^\s<>/!?=:]+:" + _OUTSIDE)


_SHARED_USE = re.compile(rb"<v>\s*(\d{1,9})\s*</v>")


_SHARED_TEXT = re.compile(rb"<(?:[^\s<>/!?=:]+:)?si(?=[\s/>])")


def repack(data: bytes) -> tuple[bytes, list[bytes]]:
    """Check an XLSX file and write it afresh with only what a table needs.

    Parameters
    ----------
    data
        The uploaded file.

    Returns
    -------
    tuple of bytes and list of bytes
        An uncompressed archive of checked members, and the XML of its sheets.

    Raises
    ------
    BadInput
        Not a ZIP, an old or protected or macro file, damaged, or not a workbook.
    TooLarge
        Beyond one of the limits of this module.
    """
    if data.startswith(_OLE_MAGIC):
        raise BadInput(
            "The file is password protected or an old .xls workbook; save it as .xlsx without a "
            "password."
        )
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = _members(archive)
            contents = _read_all(archive, members)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, ValueError) as error:
        raise BadInput("The file is not a workbook or is damaged; save it as .xlsx again.") from (
            error
        )
    sheets = [xml for name, xml in contents.items() if name.startswith("xl/worksheets/")]
    _check_texts(contents.get("xl/sharedStrings.xml", b""), sheets)
    return _write(contents), sheets


def _members(archive: zipfile.ZipFile) -> list[zipfile.ZipInfo]:
    """Check what the archive says of itself; a liar is caught by `_read_member`."""
    members = archive.infolist()
    names = {member.filename for member in members}
    if len(members) > MAX_MEMBERS:
        raise TooLarge(
            f"The workbook contains {len(members)} parts; at most {MAX_MEMBERS} are read."
        )
    if len(names) != len(members):
        raise BadInput("The workbook contains the same part twice; save it as .xlsx again.")
    if any(member.flag_bits & _ENCRYPTED_FLAG for member in members):
        raise BadInput("The workbook is password protected; save it without a password.")
    if any(name.lower().endswith("vbaproject.bin") for name in names):
        raise BadInput("The workbook contains macros; save it as .xlsx without macros.")
    if "xl/workbook.xml" not in names:
        raise BadInput("The file is not an .xlsx workbook.")
    if sum(member.file_size for member in members) > MAX_EXPANDED_BYTES:
        raise TooLarge(_TOO_MUCH)
    return members


_TOO_MUCH = f"The workbook expands to more than {MAX_EXPANDED_BYTES // 1_000_000} MB."


def _read_all(archive: zipfile.ZipFile, members: list[zipfile.ZipInfo]) -> dict[str, bytes]:
    left, contents = MAX_EXPANDED_BYTES, {}
    for member in members:
        if _NEEDED.fullmatch(member.filename):
            content = _read_member(archive, member, left)
            left -= len(content)
            _check_xml(member.filename, content)
            contents[member.filename] = content
    return contents


def _read_member(archive: zipfile.ZipFile, member: zipfile.ZipInfo, left: int) -> bytes:
    parts, size = [], 0
    with archive.open(member) as stream:
        while chunk := stream.read(_CHUNK):
            size += len(chunk)
            if size > left:
                raise TooLarge(_TOO_MUCH)
            if size > max(RATIO_COUNTS_FROM_BYTES, MAX_RATIO * member.compress_size):
                raise TooLarge(
                    f"A part of the workbook expands more than {MAX_RATIO} times; no table does."
                )
            parts.append(chunk)
    return b"".join(parts)


def _check_xml(name: str, content: bytes) -> None:
    if b"\0" in content:
        raise BadInput("The workbook is not written in UTF-8; save it as .xlsx again.")
    if b"<!DOCTYPE" in content or b"<!ENTITY" in content:
        raise BadInput("The workbook defines XML entities, which no table needs.")
    if name.startswith("xl/worksheets/"):
        _check_places(content)


def _check_places(xml: bytes) -> None:
    bad = _BAD_CELL.search(xml)
    # Looking for prefixed names costs as much as reading the sheet; few programs write them.
    if bad is None and b":c" in xml:
        bad = _BAD_PREFIXED_CELL.search(xml)
    if bad is not None:
        shown = xml[bad.start() : bad.start() + 40].decode("utf-8", "replace")
        raise TooLarge(
            f"A cell ({shown}) is beyond {MAX_ROWS:,} rows or {MAX_COLUMNS} columns, or does not "
            "state where it is."
        )


def _check_texts(shared: bytes, sheets: list[bytes]) -> None:
    """Bound the text the parser will copy out of the table of shared texts into the cells."""
    lengths = [len(piece) for piece in _SHARED_TEXT.split(shared)[1:]]
    if not lengths:
        return
    # Other elements beginning with c are counted too: never too few.
    cells = sum(sheet.count(b"<c") + sheet.count(b":c") for sheet in sheets)
    if cells * max(lengths) <= MAX_TEXT_BYTES:
        return
    # Plain numbers below the count are counted as if they were texts: never too little.
    used = sum(
        lengths[index]
        for sheet in sheets
        for found in _SHARED_USE.findall(sheet)
        if (index := int(found)) < len(lengths)
    )
    if used > MAX_TEXT_BYTES:
        raise TooLarge(f"The cells contain more than {MAX_TEXT_BYTES // 1_000_000} MB of text.")


def _write(contents: dict[str, bytes]) -> bytes:
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_STORED) as archive:
        for name, content in contents.items():
            archive.writestr(name, content)
    return target.getvalue()
