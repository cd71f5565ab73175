"""Uploads as people and attackers make them; openpyxl, another program, writes the workbooks."""

import io
import struct
import tempfile
import zipfile
from collections.abc import Callable
from datetime import date, datetime, time
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook

from service.errors import BadInput, ServiceError, TooLarge
from service.exchange.sheets import workbook as workbook_zip
from service.exchange.sheets.workbook import MAX_FAULTS, MAX_UPLOAD_BYTES, RawRow, Sheet, read_sheet


def workbook(*rows: list[Any], further: list[Any] | None = None) -> bytes:
    book = Workbook()
    sheet = book.worksheets[0]
    for row in rows:
        sheet.append(row)
    if further is not None:
        book.create_sheet("Notes").append(further)
    target = io.BytesIO()
    book.save(target)
    return target.getvalue()


def changed(data: bytes, change: Callable[[str, bytes], bytes | None]) -> bytes:
    """Write a workbook again with each part changed, or left out where the change gives None."""
    target = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(data)) as old,
        zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for name in old.namelist():
            content = change(name, old.read(name))
            if content is not None:
                new.writestr(name, content)
    return target.getvalue()


def with_sheet(xml: bytes) -> bytes:
    plain = workbook(["ref"], ["A"])
    return changed(
        plain, lambda name, content: xml if name == "xl/worksheets/sheet1.xml" else content
    )


def sheet_xml(rows: bytes) -> bytes:
    space = b"http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    return b'<worksheet xmlns="' + space + b'"><sheetData>' + rows + b"</sheetData></worksheet>"


@pytest.mark.parametrize("mark", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_a_csv_is_read_with_each_delimiter_and_encoding(mark: str, encoding: str) -> None:
    text = f" Ref {mark}QUANTITY\r\n\r\nÄ-95{mark}2\r\nB{mark}\r\n"
    sheet = read_sheet(text.encode(encoding), "Count.CSV")
    assert sheet == Sheet(("ref", "quantity"), [RawRow(3, ("Ä-95", "2")), RawRow(4, ("B", None))])


def test_an_open_file_is_read_like_its_bytes() -> None:
    with tempfile.TemporaryFile() as file:
        file.write(b"ref\nA\n")
        file.seek(0)
        assert read_sheet(file, "a.csv") == read_sheet(b"ref\nA\n", "a.csv")


def test_a_csv_keeps_each_cell_as_it_was_typed() -> None:
    sheet = read_sheet(b'ref,lot\n" 007 ","a,""b"""\n', "a.csv")
    assert sheet.rows[0].cells == (" 007 ", 'a,"b"')


@pytest.mark.parametrize(
    ("data", "says"),
    [
        ("ref\nGröße\n".encode("latin-1"), "row 2"),
        (b"ref\nA\0B\n", "NUL"),
        ("ref\nA\n".encode("utf-16-le"), "NUL"),
        (b"", "column names"),
        (b"\nref\n", "column names"),
        (b"ref,lot\nA,B,C\n", "row 2"),
        (b"ref,Ref\nA,B\n", "same name as column 1"),
        (b"ref,,lot\nA,B,C\n", "column 2"),
        (b"ref;lot,quantity\n", "mixes separators"),
        (b'ref\n"A\n', "quotation marks"),
        (b'ref\n"A"B\n', "quotation marks"),
    ],
)
def test_a_csv_in_doubt_is_refused_and_says_where(data: bytes, says: str) -> None:
    with pytest.raises(BadInput) as caught:
        read_sheet(data, "a.csv")
    said = [caught.value.detail, *(f"{f.pointer} {f.reason}" for f in caught.value.faults)]
    assert any(says in sentence for sentence in said)


def test_of_very_many_faults_the_first_are_listed_and_the_rest_counted() -> None:
    with pytest.raises(BadInput) as caught:
        read_sheet(b"ref\n" + b"A,B\n" * (MAX_FAULTS + 7), "a.csv")
    assert len(caught.value.faults) == MAX_FAULTS
    assert "7 more" in caught.value.detail
    assert caught.value.faults[0].pointer == "row 2"


@pytest.mark.parametrize("name", ["a.xls", "a.xlsm", "a.ods", "a.pdf", "a", "a.xlsb"])
def test_another_kind_of_file_is_refused_by_name(name: str) -> None:
    with pytest.raises(BadInput):
        read_sheet(b"ref\nA\n", name)


def test_sixty_megabytes_are_refused_before_they_are_read() -> None:
    with tempfile.TemporaryFile() as file:
        file.truncate(60_000_000)
        file.seek(0)
        with pytest.raises(TooLarge):
            read_sheet(file, "a.csv")
        assert file.tell() == MAX_UPLOAD_BYTES + 1
    with pytest.raises(TooLarge):
        read_sheet(bytes(60_000_000), "a.xlsx")


def test_too_many_rows_or_columns_are_refused() -> None:
    with pytest.raises(TooLarge):
        read_sheet(b"r\n" + b"a\n" * workbook_zip.MAX_ROWS, "a.csv")
    with pytest.raises(TooLarge):
        read_sheet(",".join(f"c{i}" for i in range(61)).encode(), "a.csv")


def test_a_workbook_is_read_with_its_kinds_of_cell() -> None:
    moment = datetime(2031, 4, 3, 14, 30)  # noqa: DTZ001 - a cell has no zone
    row: list[Any] = [" 007 ", 7, 7.5, date(2031, 4, 3), moment, time(8, 30), True, None]
    sheet = read_sheet(workbook(list("ABCDEFGH"), [], row), "a.xlsx")
    assert sheet.columns == tuple("abcdefgh")
    assert sheet.rows == [RawRow(3, tuple(row))]
    assert [type(cell) for cell in sheet.rows[0].cells] == [type(cell) for cell in row]


def test_a_second_sheet_with_content_is_not_passed_over() -> None:
    with pytest.raises(BadInput) as caught:
        read_sheet(workbook(["ref"], ["A"], further=["more"]), "a.xlsx")
    assert "'Notes'" in caught.value.faults[0].pointer


def test_an_empty_second_sheet_does_no_harm() -> None:
    assert len(read_sheet(workbook(["ref"], ["A"], further=[]), "a.xlsx").rows) == 1


@pytest.mark.parametrize(("cell", "says"), [("=1+1", "formula"), ("#N/A", "error")])
def test_a_cell_that_would_read_as_empty_is_named(cell: str, says: str) -> None:
    with pytest.raises(BadInput) as caught:
        read_sheet(workbook(["ref", "quantity"], ["A", cell]), "a.xlsx")
    fault = caught.value.faults[0]
    assert fault.pointer == "row 2, column B"
    assert says in fault.reason


def test_a_formula_with_its_saved_result_is_read() -> None:
    xml = sheet_xml(
        b'<row r="1"><c r="A1" t="inlineStr"><is><t>quantity</t></is></c></row>'
        b'<row r="2"><c r="A2"><f>1+1</f><v>2</v></c></row>'
    )
    assert read_sheet(with_sheet(xml), "a.xlsx").rows == [RawRow(2, (2,))]


@pytest.mark.parametrize("at", [b"XFD1048576", b"BI1", b"A200001", b"A1000000"])
@pytest.mark.parametrize("tag", [b"c", b"x:c"])
def test_a_cell_far_out_is_refused_before_the_parser_makes_room_for_it(
    at: bytes, tag: bytes
) -> None:
    with pytest.raises(TooLarge):
        read_sheet(with_sheet(sheet_xml(b"<" + tag + b' r="' + at + b'"/>')), "a.xlsx")


def test_a_cell_without_a_place_is_refused() -> None:
    with pytest.raises(TooLarge):
        read_sheet(with_sheet(sheet_xml(b"<row><c><v>1</v></c></row>")), "a.xlsx")


def bomb(size: int) -> bytes:
    return with_sheet(sheet_xml(b" " * size))


def test_a_zip_bomb_is_refused() -> None:
    data = bomb(210_000_000)
    assert len(data) < 300_000
    with pytest.raises(TooLarge):
        read_sheet(data, "a.xlsx")


def test_a_zip_bomb_that_lies_about_its_size_is_refused() -> None:
    size = 100_000_000
    data = bomb(size)
    lie = data.replace(struct.pack("<I", len(sheet_xml(b" " * size))), struct.pack("<I", 500))
    assert lie != data
    with pytest.raises(ServiceError):
        read_sheet(lie, "a.xlsx")


def test_a_part_that_expands_too_many_times_is_refused() -> None:
    with pytest.raises(TooLarge, match="times"):
        read_sheet(bomb(50_000_000), "a.xlsx")


def test_one_long_text_used_very_often_is_refused() -> None:
    shared = (
        sheet_xml(b"")
        .replace(b"worksheet", b"sst")
        .replace(
            b"<sheetData></sheetData>", b"<si><t>" + bytes(range(65, 91)) * 40_000 + b"</t></si>"
        )
    )
    cells = b"".join(b'<c r="A%d" t="s"><v>0</v></c>' % row for row in range(1, 300))
    plain = with_sheet(sheet_xml(cells))
    target = io.BytesIO(plain)
    with zipfile.ZipFile(target, "a") as archive:
        archive.writestr("xl/sharedStrings.xml", shared)
    with pytest.raises(TooLarge, match="text"):
        read_sheet(target.getvalue(), "a.xlsx")


def test_too_many_parts_are_refused() -> None:
    target = io.BytesIO(workbook(["ref"]))
    with zipfile.ZipFile(target, "a") as archive:
        for number in range(workbook_zip.MAX_MEMBERS):
            archive.writestr(f"part{number}", b"")
    with pytest.raises(TooLarge):
        read_sheet(target.getvalue(), "a.xlsx")


def test_macros_are_refused_whatever_the_name_says() -> None:
    target = io.BytesIO(workbook(["ref"]))
    with zipfile.ZipFile(target, "a") as archive:
        archive.writestr("xl/vbaProject.bin", b"x")
    with pytest.raises(BadInput, match="macros"):
        read_sheet(target.getvalue(), "a.xlsx")


def test_xml_entities_are_refused() -> None:
    with pytest.raises(BadInput, match="entities"):
        read_sheet(with_sheet(b'<!DOCTYPE x [<!ENTITY a "b">]>' + sheet_xml(b"")), "a.xlsx")


def test_an_old_or_protected_workbook_is_refused() -> None:
    # The first eight bytes of the compound file format, which .xls and encrypted .xlsx share.
    with pytest.raises(BadInput, match="password"):
        read_sheet(bytes.fromhex("d0cf11e0a1b11ae1") + bytes(600), "a.xlsx")


def test_an_encrypted_member_is_refused() -> None:
    data = bytearray(workbook(["ref"], ["A"]))
    at = data.index(b"PK\x01\x02")
    data[at + 8] |= 1
    with pytest.raises(BadInput, match="password"):
        read_sheet(bytes(data), "a.xlsx")


@pytest.mark.parametrize("data", [b"", b"ref,lot\n", b"PK\x03\x04 broken"])
def test_what_is_no_zip_is_refused(data: bytes) -> None:
    with pytest.raises(BadInput):
        read_sheet(data, "a.xlsx")


def test_a_zip_that_is_no_workbook_is_refused() -> None:
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as archive:
        archive.writestr("content.xml", b"<x/>")
    with pytest.raises(BadInput, match="workbook"):
        read_sheet(target.getvalue(), "a.xlsx")


def outcome(data: bytes, name: str) -> Sheet | ServiceError:
    try:
        return read_sheet(data, name)
    except ServiceError as error:
        return error


def in_order(result: Sheet | ServiceError) -> bool:
    """A refusal that says something, or rows as long as the header."""
    if isinstance(result, ServiceError):
        return bool(result.detail)
    return all(len(row.cells) == len(result.columns) for row in result.rows)


def damaged(data: bytes, changes: list[tuple[int, int]]) -> bytes:
    spoiled = bytearray(data)
    for place, byte in changes:
        spoiled[place % len(spoiled)] = byte
    return bytes(spoiled)


PLAIN = workbook(["ref", "quantity", "use_by"], ["A", 1, date(2031, 4, 3)], ["B", None, 2.5])


XML = sheet_xml(
    b'<row r="1"><c r="A1" t="inlineStr"><is><t>ref</t></is></c></row>'
    b'<row r="2"><c r="A2" s="1"><f>1+1</f><v>2</v></c><c r="B2" t="b"><v>1</v></c></row>'
)


CHANGES = st.lists(st.tuples(st.integers(0, 10_000), st.integers(0, 255)), min_size=1, max_size=8)


@settings(max_examples=150, deadline=None)
@given(CHANGES)
def test_a_damaged_workbook_is_read_or_refused_and_nothing_else(
    changes: list[tuple[int, int]],
) -> None:
    assert in_order(outcome(damaged(PLAIN, changes), "a.xlsx"))


@settings(max_examples=150, deadline=None)
@given(CHANGES)
def test_a_workbook_with_damaged_xml_is_read_or_refused_and_nothing_else(
    changes: list[tuple[int, int]],
) -> None:
    assert in_order(outcome(with_sheet(damaged(XML, changes)), "a.xlsx"))


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes_are_a_csv_or_are_refused(data: bytes) -> None:
    assert in_order(outcome(data, "a.csv"))


CELLS = st.text(st.characters(codec="utf-8", exclude_characters="\0\r\n"), max_size=8)


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(CELLS, CELLS), max_size=6))
def test_what_is_written_as_csv_is_read_back(rows: list[tuple[str, str]]) -> None:
    def quoted(cell: str) -> str:
        return '"' + cell.replace('"', '""') + '"'

    text = "a,b\r\n" + "".join(f"{quoted(a)},{quoted(b)}\r\n" for a, b in rows)
    expected = [
        tuple(cell if cell.strip() else None for cell in row)
        for row in rows
        if any(cell.strip() for cell in row)
    ]
    assert [row.cells for row in read_sheet(text.encode(), "a.csv").rows] == expected
