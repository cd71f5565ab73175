"""Stock by two sizes: order, shade, words."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from web.pictures.charts.sizes import SizeStock, shade_of, size_grid

LENGTH, ANGLE = ("length", "mm"), ("angle", "°")


def test_sizes_rise_down_and_across_and_what_nobody_makes_stays_open() -> None:
    grid = size_grid(
        [SizeStock(340, 130, 2, 0), SizeStock(180, 130, 1, 1), SizeStock(180, 125, 4, 1)],
        caption="Nails",
        down=LENGTH,
        across=ANGLE,
    )
    assert grid.heads == ("125°", "130°")
    assert [row.head for row in grid.rows] == ["180 mm", "340 mm"]
    assert [[cell.text for cell in row.cells] for row in grid.rows] == [
        ["3 free", "none free"],
        ["–", "2 free"],
    ]
    assert [cell.made for row in grid.rows for cell in row.cells] == [True, True, False, True]
    assert grid.corner == "length down, angle across"


@pytest.mark.parametrize(
    ("on_hand", "promised", "needed", "text"),
    [
        (3, 1, 0, "2 free"),
        (3, 1, 2, "2 free"),
        (3, 1, 4, "2 free, need 2"),
        (1, 1, 1, "none free, need 1"),
        (0, 0, 1, "none, need 1"),
        (0, 0, 0, "none"),
    ],
)
def test_a_cell_says_what_is_free_and_what_is_needed_beyond(
    on_hand: int, promised: int, needed: int, text: str
) -> None:
    stock = SizeStock(90, None, on_hand, promised, needed, ("R1",))
    grid = size_grid([stock], caption="Lag screws", down=LENGTH, across=("thread", ""))
    (cell,) = grid.rows[0].cells
    assert cell.text == text
    assert cell.refs == ("R1",)
    assert grid.heads == ("any",)
    sentence = f"length 90 mm, thread any: {on_hand} on hand, {promised} promised, {text}."
    assert grid.sentences == (sentence,)


def test_two_lines_of_one_size_are_added_up() -> None:
    grid = size_grid(
        [SizeStock(90, 130, 2, 1, 1, ("R1",)), SizeStock(90, 130, 1, 0, 3, ("R2", "R1"))],
        caption="Nails",
        down=LENGTH,
        across=ANGLE,
    )
    (cell,) = grid.rows[0].cells
    assert (cell.on_hand, cell.promised, cell.free, cell.need) == (3, 1, 2, 2)
    assert cell.refs == ("R1", "R2")


@given(st.integers(0, 500), st.integers(0, 500))
def test_more_free_is_never_shaded_less(one: int, more: int) -> None:
    assert 0 <= shade_of(one) <= shade_of(one + more) <= 5
    assert (shade_of(one) == 0) == (one == 0)


def test_an_empty_table_has_neither_heads_nor_rows() -> None:
    grid = size_grid([], caption="Nails", down=LENGTH, across=ANGLE)
    assert (grid.heads, grid.rows, grid.sentences) == ((), (), ())
