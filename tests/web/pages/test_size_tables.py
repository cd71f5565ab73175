"""Sizes as small tables: what stands in which, in which order, and how deep a shade."""

from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from service.schemas.stock import SizeStockOut
from web.pages.size_tables import SizeTable, shade_of, tables_of


def _size(ref: str, kind: str, system: str = "Alpha", **facts: object) -> SizeStockOut:
    empty = dict.fromkeys(SizeStockOut.model_fields)
    amounts = {"here": 0, "promised": 0, "free": 0, "not_usable": 0, "needed": 0, "coming": 0}
    named = {"ref": ref, "kind": kind, "system": system, "description": ref, "size": ""}
    return SizeStockOut.model_validate({**empty, **amounts, **named, **facts})


def _nail(ref: str, length: float, across: float, angle: float, side: str) -> SizeStockOut:
    facts: dict[str, Any] = {
        "length_mm": length,
        "diameter_mm": across,
        "angle_deg": angle,
        "side": side,
    }
    return _size(ref, "single_lag_screw_nail", **facts)


def _refs(table: SizeTable) -> list[tuple[str, list[list[str]]]]:
    return [(head, [[one.ref for one in cell] for cell in cells]) for head, cells in table.rows]


def test_nails_have_a_table_for_each_angle_and_side_length_down_and_diameter_across() -> None:
    groups = tables_of(
        [
            _nail("R-400-12", 400, 12, 130, "right"),
            _nail("R-340-11", 340, 11, 130, "right"),
            _nail("R-340-12", 340, 12, 130, "right"),
            _nail("L-340-11", 340, 11, 130, "left"),
            _nail("L-400-11", 400, 11, 130, "left"),
            _nail("L-400-11-5", 400, 11, 125, "left"),
            _nail("S-11-130", 180, 11, 130, "either"),
            _nail("S-11-125", 180, 11, 125, "either"),
        ]
    )
    assert list(groups) == [""]
    short, left_125, left_130, right_130 = groups[""]
    assert (short.name, short.corner, short.heads) == ("180 mm, either side", "Angle", ("11 mm",))
    assert _refs(short) == [("125°", [["S-11-125"]]), ("130°", [["S-11-130"]])]
    names = [one.name for one in (left_125, left_130, right_130)]
    assert names == ["125°, left", "130°, left", "130°, right"]
    assert right_130.heads == ("11 mm", "12 mm")
    assert _refs(right_130) == [
        ("340 mm", [["R-340-11"], ["R-340-12"]]),
        ("400 mm", [[], ["R-400-12"]]),
    ]


def test_every_line_stands_in_one_cell_and_two_of_one_size_share_it() -> None:
    facts: dict[str, Any] = {"length_mm": 90.0, "diameter_mm": 10.5}
    sizes = [_size(ref, "lag_screw", **facts) for ref in ("A", "B")]
    (table,) = tables_of(sizes)[""]
    assert (table.corner, table.heads) == ("Length", ("10.5 mm",))
    assert _refs(table) == [("90 mm", [["A", "B"]])]


def test_systems_have_tables_of_their_own_under_their_names() -> None:
    screws = [_size("A", "lag_screw"), _size("B", "lag_screw", "Beta")]
    assert [one.name for one in tables_of(screws)[""]] == ["Alpha", "Beta"]
    nails = [_size("A", "two_screw_nail"), _size("B", "two_screw_nail", "Beta")]
    assert list(tables_of(nails)) == ["Alpha", "Beta"]


def test_without_sizes_there_is_no_table() -> None:
    assert tables_of([]) == {}


@given(st.integers(0, 500), st.integers(0, 500))
def test_more_free_is_never_shaded_less(one: int, more: int) -> None:
    assert 0 <= shade_of(one) <= shade_of(one + more) <= 5
    assert (shade_of(one) == 0) == (one == 0)
