"""What an XLSX file must be before it is parsed: small, whole and nothing but a workbook.

The parser reads every member whole and lays a sheet out as a full rectangle, so one byte-sized
cell in the last row and column, or one long text used a million times, would fill the memory.
Nothing the file says of itself is believed: every member is decompressed here under a limit, and
only the members a table needs are passed on, in an archive written afresh.
"""

import io
import re
import zipfile
import zlib

from service.errors import BadInput, TooLarge

__all__ = [
    "MAX_COLUMNS",
    "MAX_EXPANDED_BYTES",
    "MAX_MEMBERS",
    "MAX_RATIO",
    "MAX_ROWS",
    "RATIO_COUNTS_FROM_BYTES",
    "repack",
]

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
        raise TooLarge(f"The workbook holds {len(members)} parts; at most {MAX_MEMBERS} are read.")
    if len(names) != len(members):
        raise BadInput("The workbook holds the same part twice; save it as .xlsx again.")
    if any(member.flag_bits & _ENCRYPTED_FLAG for member in members):
        raise BadInput("The workbook is password protected; save it without a password.")
    if any(name.lower().endswith("vbaproject.bin") for name in names):
        raise BadInput("The workbook holds macros; save it as .xlsx without macros.")
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
            f"A cell ({shown}) lies beyond {MAX_ROWS:,} rows or {MAX_COLUMNS} columns, or does not "
            "say where it stands."
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
        raise TooLarge(f"The cells hold more than {MAX_TEXT_BYTES // 1_000_000} MB of text.")


def _write(contents: dict[str, bytes]) -> bytes:
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_STORED) as archive:
        for name, content in contents.items():
            archive.writestr(name, content)
    return target.getvalue()
