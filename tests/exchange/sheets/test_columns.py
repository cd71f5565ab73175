"""Files of each format: what is read, and what is refused with its row, column and reason."""

import io
from collections.abc import Callable
from dataclasses import asdict
from datetime import date, datetime, time, timedelta, timezone
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook

from service.core.catalogue import ITEM_KINDS
from service.errors import BadInput
from service.exchange.sheets.columns import (
    CatalogueRow,
    read_catalogue,
    read_deliveries,
    read_operating_lists,
    read_stock_take,
    read_usage,
)
from service.exchange.sheets.tables import Parsed
from service.exchange.sheets.workbook import MAX_FAULTS, RawRow, Sheet, read_sheet

LAG = {
    "ref": "L-95",
    "kind": "lag_screw",
    "system": "Demo",
    "description": "Lag screw 95 mm",
    "supplier": "Demo Supply",
    "length_mm": "95",
    "supplied_sterile": "yes",
    "reusable": "no",
}


COUNT = {"ref": "L-95", "lot": "A1", "quantity": "2", "store": "Main", "shelf": "B3"}


USED = {"used_on": "2031-03-01", "ref": "L-95", "quantity": "1"}


DUE = {"reference": "D1", "ref": "L-95", "quantity": "2"}


CASE = {
    "list_date": "2031-03-03",
    "theatre": "T2",
    "starts": "08:30",
    "ends": "10:00",
    "case_reference": "K1",
    "position": "1",
    "side": "left",
}


def sheet(*rows: dict[str, Any]) -> Sheet:
    columns = tuple(dict.fromkeys(name for row in rows for name in row))
    cells = [tuple(row.get(name) or None for name in columns) for row in rows]
    return Sheet(columns, [RawRow(number, row) for number, row in enumerate(cells, start=2)])


def only_fault(parsed: Parsed[Any]) -> tuple[int, str, str]:
    assert parsed.good == []
    assert len(parsed.faults) == 1
    fault = parsed.faults[0]
    return fault.row, fault.column, fault.reason


def xlsx(*rows: list[Any]) -> Sheet:
    book = Workbook()
    for row in rows:
        book.worksheets[0].append(row)
    target = io.BytesIO()
    book.save(target)
    return read_sheet(target.getvalue(), "a.xlsx")


def test_a_catalogue_line_is_read_with_its_types() -> None:
    line = LAG | {"gtin": "51022222233336", "unit_price": "412.50", "currency": "EUR"}
    line |= {"lead_time_days": "7", "emdn_code": "P09120601", "thread": "PARTLY"}
    parsed = read_catalogue(sheet(line))
    assert parsed.faults == []
    number, row = parsed.good[0]
    assert number == 2
    assert (row.ref, row.gtin, row.length_mm, row.thread) == (
        "L-95",
        "51022222233336",
        95.0,
        "partly",
    )
    assert (row.unit_price_minor, row.currency, row.pack_quantity) == (41250, "EUR", 1)
    assert (row.supplied_sterile, row.reusable, row.side, row.holes) == (True, False, None, None)


@pytest.mark.parametrize(
    ("column", "cell", "says"),
    [
        ("ref", 95, "number cell"),
        ("ref", "5.10222E+12", "changed by a spreadsheet"),
        ("ref", "L\u200b95", "cannot be printed"),
        ("ref", "L\n95", "cannot be printed"),
        ("ref", "x" * 61, "at most 60"),
        ("ref", None, "must be filled"),
        ("ref", True, "TRUE/FALSE"),
        ("ref", date(2031, 4, 3), "date cell"),
        ("gtin", 51022222233336, "number cell"),
        ("gtin", "5.10222E+13", "changed by a spreadsheet"),
        ("gtin", "1022222233336", "leading zero"),
        ("gtin", "51022222233337", "check digit"),
        ("kind", "gamma", "not one of"),
        ("side", "L", "not one of"),
        ("supplied_sterile", True, "yes"),
        ("supplied_sterile", "y", "not one of: no, yes"),
        ("length_mm", "95,5", "10.5"),
        ("length_mm", "1e2", "10.5"),
        ("length_mm", "nan", "10.5"),
        ("length_mm", float("nan"), "not a number"),
        ("length_mm", float("inf"), "not a number"),
        ("length_mm", -1, "not a number"),
        ("length_mm", True, "not a number"),
        ("length_mm", "950", "outside"),
        ("pack_quantity", "0", "whole number from 1"),
        ("pack_quantity", "1.5", "whole number"),
        ("pack_quantity", True, "whole number"),
        ("pack_quantity", "٣", "whole number"),
        ("unit_price", "412.505", "EUR has 2"),
        ("unit_price", "412.500", "EUR has 2"),
        ("unit_price", "1,200.00", "thousands"),
        ("unit_price", "-1", "amount"),
        ("unit_price", 0.1 + 0.2, "not an amount"),
        ("currency", "eur", "ISO 4217"),
        ("currency", "EUO", "ISO 4217"),
        ("currency", None, "needs a currency"),
        ("emdn_code", "09120601", "EMDN"),
        ("turnaround_minutes", "240", "instrument set"),
    ],
)
def test_a_wrong_catalogue_cell_is_refused_with_row_column_and_reason(
    column: str, cell: object, says: str
) -> None:
    line = LAG | {"unit_price": "412.50", "currency": "EUR"} | {column: cell}
    row, where, reason = only_fault(read_catalogue(sheet(line)))
    assert (row, where) == (2, column)
    assert says in reason


def test_a_long_nail_without_a_side_is_refused() -> None:
    nail = LAG | {"kind": "single_lag_screw_nail", "length_mm": "340", "diameter_mm": "11"}
    nail |= {"angle_deg": "130", "side": "either"}
    assert only_fault(read_catalogue(sheet(nail)))[1] == "side"


@pytest.mark.parametrize("column", ["ref", "gtin"])
def test_the_same_key_twice_names_the_earlier_row(column: str) -> None:
    first = LAG | {"gtin": "51022222233336"}
    second = LAG | {"ref": "L-100", "gtin": "07032069804988"} | {column: first[column]}
    parsed = read_catalogue(sheet(first, second))
    assert len(parsed.good) == 1
    assert [(fault.row, fault.column) for fault in parsed.faults] == [(3, column)]
    assert "row 2" in parsed.faults[0].reason


def test_an_unknown_and_a_missing_column_are_named_and_no_row_is_read() -> None:
    parsed = read_catalogue(sheet({"ref": "L-95", "colour": "blue"}))
    named = {fault.column for fault in parsed.faults}
    assert parsed.good == []
    assert named == {"colour", "kind", "description", "supplier", "supplied_sterile", "reusable"}
    assert {fault.row for fault in parsed.faults} == {1}


def test_good_rows_stand_beside_faults_and_a_file_with_a_fault_can_be_refused_whole() -> None:
    parsed = read_catalogue(sheet(LAG, LAG | {"ref": "L-100", "length_mm": "x"}))
    assert [row.ref for _, row in parsed.good] == ["L-95"]
    with pytest.raises(BadInput) as caught:
        parsed.all_or_refuse()
    assert [fault.pointer for fault in caught.value.faults] == ["row 3, column length_mm"]
    assert len(read_catalogue(sheet(LAG)).all_or_refuse()) == 1


def test_of_very_many_faults_the_first_are_kept_and_the_rest_counted() -> None:
    parsed = read_usage(sheet(*[USED | {"quantity": "x"}] * (MAX_FAULTS + 5)))
    assert (len(parsed.faults), parsed.more_faults) == (MAX_FAULTS, 5)


def test_a_price_of_a_number_cell_is_the_amount_that_was_typed() -> None:
    line = LAG | {"unit_price": 0.29, "currency": "EUR"}
    assert read_catalogue(sheet(line)).good[0][1].unit_price_minor == 29


def test_a_stock_take_is_read_with_its_defaults() -> None:
    row = read_stock_take(sheet(COUNT | {"use_by": "2031-04-03"})).good[0][1]
    assert (row.use_by, row.quantity, row.ownership, row.sterility, row.return_by) == (
        date(2031, 4, 3),
        2,
        "owned",
        None,
        None,
    )


def test_a_count_of_nothing_is_a_count() -> None:
    assert read_stock_take(sheet(COUNT | {"quantity": "0"})).good[0][1].quantity == 0


@pytest.mark.parametrize(
    ("changes", "column", "says"),
    [
        ({"lot": None}, "lot", "lot or a serial"),
        ({"lot": 7}, "lot", "number cell"),
        ({"lot": "1.2E+07"}, "lot", "changed by a spreadsheet"),
        ({"serial": "S1"}, "quantity", "a serial"),
        ({"ownership": "loan"}, "return_by", "return date"),
        ({"return_by": "2031-04-03"}, "return_by", "owned stock"),
        ({"quantity": "-1"}, "quantity", "whole number from 0"),
        ({"use_by": "03/04/2031"}, "use_by", "more than one date"),
        ({"use_by": "3.4.31"}, "use_by", "more than one date"),
        ({"use_by": "2031-02-30"}, "use_by", "not a date"),
        ({"use_by": "2031-4-3"}, "use_by", "2031-04-03"),
        ({"use_by": "April 2031"}, "use_by", "2031-04-03"),
        ({"use_by": 47850}, "use_by", "not a date"),
        ({"use_by": datetime(2031, 4, 3, 8)}, "use_by", "time of day"),  # noqa: DTZ001 - a cell
    ],
)
def test_a_wrong_stock_line_is_refused(changes: dict[str, Any], column: str, says: str) -> None:
    row, where, reason = only_fault(read_stock_take(sheet(COUNT | changes)))
    assert (row, where) == (2, column)
    assert says in reason


def test_a_lot_on_two_shelves_is_two_lines_and_on_one_shelf_twice_is_a_fault() -> None:
    parsed = read_stock_take(sheet(COUNT, COUNT | {"shelf": "B4"}, COUNT))
    assert [number for number, _ in parsed.good] == [2, 3]
    assert "row 2" in parsed.faults[0].reason


def test_a_serial_stands_in_one_place_only() -> None:
    one = COUNT | {"serial": "S1", "quantity": "1"}
    parsed = read_stock_take(sheet(one, one | {"shelf": "B4"}))
    assert [(fault.row, fault.column) for fault in parsed.faults] == [(3, "serial")]


def test_usage_is_read_and_the_same_use_twice_is_a_fault() -> None:
    parsed = read_usage(sheet(USED, USED | {"outcome": "wasted"}, USED))
    assert [row.outcome for _, row in parsed.good] == ["implanted", "wasted"]
    assert [fault.row for fault in parsed.faults] == [4]


def test_a_delivery_keeps_local_and_aware_times_apart() -> None:
    local = DUE | {"due_at": "2031-04-03T14:30", "usable_from": "2031-04-05 08:00"}
    aware = DUE | {"ref": "L-100", "due_at": "2031-04-03T14:30:00+02:00"}
    parsed = read_deliveries(sheet(local, aware))
    assert parsed.faults == []
    first, second = parsed.good[0][1], parsed.good[1][1]
    assert first.due_at == datetime(2031, 4, 3, 14, 30)  # noqa: DTZ001 - local to the site
    assert second.due_at == datetime(2031, 4, 3, 14, 30, tzinfo=timezone(timedelta(hours=2)))


@pytest.mark.parametrize(
    ("changes", "column"),
    [
        ({"due_at": "2031-04-03"}, "due_at"),
        ({"due_at": "2031-04-03T25:00"}, "due_at"),
        ({"due_at": "2031-04-03T14:30", "usable_from": "2031-04-03T14:29"}, "usable_from"),
        ({"due_at": "2031-04-03T14:30", "usable_from": "2031-04-05T08:00Z"}, "usable_from"),
        ({"ownership": "loan"}, "return_by"),
        ({"quantity": "0"}, "quantity"),
    ],
)
def test_a_wrong_delivery_is_refused(changes: dict[str, Any], column: str) -> None:
    assert only_fault(read_deliveries(sheet(DUE | changes)))[1] == column


def test_an_operating_list_is_read() -> None:
    line = CASE | {"sex": "f", "fracture_class": "31A2.2", "class_year": "2018"}
    line |= {"neck_film_mm": "110.5", "marker_film_mm": "30", "marker_true_mm": "25"}
    line |= {"lateral_wall": "thin", "primary": "long-nail@Demo/130"}
    line |= {"alternates": "short-nail@Demo/125 ; sliding-hip-screw + cerclage-wire"}
    parsed = read_operating_lists(sheet(line))
    assert parsed.faults == []
    row = parsed.good[0][1]
    assert (row.list_date, row.starts, row.ends) == (date(2031, 3, 3), time(8, 30), time(10))
    assert (row.sex, row.neck_film_mm, row.lateral_wall, row.medial_fragment) == (
        "F",
        110.5,
        "thin",
        "unknown",
    )
    assert row.primary == "long-nail@Demo/130"
    assert row.alternates == ("short-nail@Demo/125", "sliding-hip-screw+cerclage-wire")


@pytest.mark.parametrize(
    ("changes", "column", "says"),
    [
        ({"side": "either"}, "side", "left, right"),
        ({"starts": "8:30"}, "starts", "08:30"),
        ({"starts": "24:00"}, "starts", "08:30"),
        ({"ends": "08:30"}, "ends", "not after"),
        ({"neck_film_mm": "0"}, "neck_film_mm", "not a length"),
        ({"neck_film_mm": "1100"}, "neck_film_mm", "not a length"),
        ({"fracture_class": "31A2.2"}, "class_year", "year"),
        # AO/OTA 2018 has no 31A2.1.
        ({"fracture_class": "31A2.1", "class_year": "2018"}, "fracture_class", "31A2.1"),
        ({"marker_film_mm": "30"}, "marker_true_mm", "true size"),
        ({"primary": "nail/200"}, "primary", "90 to 160"),
        ({"primary": "nail@"}, "primary", "code@System"),
        ({"alternates": "nail"}, "primary", "need a planned construct"),
        (
            {"primary": "nail", "alternates": "plate;nail"},
            "alternates",
            "already the planned construct",
        ),
        ({"primary": "nail", "alternates": "plate;plate"}, "alternates", "twice"),
        ({"primary": "nail", "alternates": "plate;"}, "alternates", "code@System"),
        ({"bone_quality": "soft"}, "bone_quality", "not one of"),
    ],
)
def test_a_wrong_case_is_refused(changes: dict[str, Any], column: str, says: str) -> None:
    row, where, reason = only_fault(read_operating_lists(sheet(CASE | changes)))
    assert (row, where) == (2, column)
    assert says in reason


@pytest.mark.parametrize(
    ("changes", "column"),
    [({"position": "2"}, "case_reference"), ({"case_reference": "K2"}, "position")],
)
def test_a_case_stands_once_and_a_position_holds_one_case(
    changes: dict[str, Any], column: str
) -> None:
    parsed = read_operating_lists(sheet(CASE, CASE | changes))
    assert [(fault.row, fault.column) for fault in parsed.faults] == [(3, column)]


def test_a_workbook_of_typed_cells_gives_the_same_rows_as_a_csv() -> None:
    typed = xlsx(
        [*CASE, "neck_film_mm"],
        [date(2031, 3, 3), "T2", time(8, 30), time(10), "K1", 1, "left", 110.5],
    )
    written = read_sheet(
        b"list_date,theatre,starts,ends,case_reference,position,side,neck_film_mm\n"
        b"2031-03-03,T2,08:30,10:00,K1,1,left,110.5\n",
        "a.csv",
    )
    expected = read_operating_lists(written)
    assert expected.faults == []
    assert read_operating_lists(typed) == expected


def test_a_number_cell_in_a_text_column_of_a_workbook_is_refused() -> None:
    columns = [*LAG, "gtin"]
    typed = xlsx(columns, [*LAG.values(), 7032069804988])
    row, column, reason = only_fault(read_catalogue(typed))
    assert (row, column) == (2, "gtin")
    assert "leading zeros" in reason


CELL = st.one_of(
    st.none(),
    st.text(max_size=12),
    st.sampled_from([*LAG.values(), *COUNT.values(), *CASE.values(), *sorted(ITEM_KINDS)]),
    st.integers(),
    st.floats(),
    st.booleans(),
    st.dates(),
    st.datetimes(),
    st.times(),
)


@pytest.mark.parametrize(
    ("read", "columns"),
    [
        (read_catalogue, tuple(CatalogueRow.__dataclass_fields__)),
        (read_stock_take, (*COUNT, "use_by", "serial", "ownership", "return_by", "sterility")),
        (read_usage, (*USED, "lot", "case_reference", "outcome")),
        (read_deliveries, (*DUE, "due_at", "usable_from", "ownership", "return_by")),
        (read_operating_lists, (*CASE, "primary", "alternates", "class_year", "fracture_class")),
    ],
)
@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_any_cells_are_read_or_refused_and_never_raise(
    read: Callable[[Sheet], Parsed[Any]], columns: tuple[str, ...], data: st.DataObject
) -> None:
    names = tuple("unit_price" if name == "unit_price_minor" else name for name in columns)
    cells = data.draw(st.lists(st.tuples(*[CELL] * len(names)), max_size=3))
    parsed = read(Sheet(names, [RawRow(number, row) for number, row in enumerate(cells, start=2)]))
    faulty = {fault.row for fault in parsed.faults}
    good = {number for number, _ in parsed.good}
    assert faulty | good == set(range(2, 2 + len(cells)))
    assert not faulty & good
    for _, row in parsed.good:
        assert all(value != "" for value in asdict(row).values())
