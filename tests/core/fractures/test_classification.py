"""Fracture classes by year, what each says of the wall, and what is refused."""

import math

import pytest

from service.core.fractures.classification import (
    CODES,
    FractureClass,
    FractureError,
    lateral_wall,
    read_class,
)


@pytest.mark.parametrize(
    ("written", "year", "code"),
    [
        ("31-a2.2", 2018, "31A2.2"),
        (" 31 A1.3 ", 2018, "31A1.3"),
        ("32A1a", 2018, "32A1(a)"),
        ("32-B2(a)", 2018, "32B2(a)"),
        ("32a1(a)", 2007, "32A1.1"),
        ("32C1(a)", 2007, "32C1(a)"),
    ],
)
def test_spelling_is_forgiven(written: str, year: int, code: str) -> None:
    assert read_class(written, year).code == code


@pytest.mark.parametrize(("code", "year"), [(code, year) for year in CODES for code in CODES[year]])
def test_what_is_written_out_is_read_back_the_same(code: str, year: int) -> None:
    read = read_class(code, year)
    assert read_class(read.code, read.year) == read


@pytest.mark.parametrize("year", [0, 1990, 2017, 2019])
def test_a_year_without_a_classification_is_refused(year: int) -> None:
    with pytest.raises(FractureError) as refused:
        read_class("31A1.2", year)
    assert refused.value.pointer == "/year"


def test_a_class_cannot_be_made_past_the_check() -> None:
    with pytest.raises(FractureError):
        FractureClass("31A2.1", 2018)


@pytest.mark.parametrize("code", ["", "31", "A1", "31A1.3.1", "32A1(a)(a)", "31A1(a)", "🦴"])
def test_nonsense_is_refused_at_the_code(code: str) -> None:
    with pytest.raises(FractureError) as refused:
        read_class(code, 2018)
    assert refused.value.pointer == "/code"


def test_a_shaft_class_without_its_third_is_refused_with_the_way_to_write_it() -> None:
    with pytest.raises(FractureError, match=r"write 32A2\(a\)"):
        read_class("32A2", 2018)


def test_the_dropped_wedge_and_segment_classes_are_refused_with_the_new_ones() -> None:
    with pytest.raises(FractureError, match=r"32B2\(a\)"):
        read_class("32B1(a)", 2018)
    with pytest.raises(FractureError, match=r"32C2\(a\)"):
        read_class("32C1", 2018)


def test_only_31a3_is_reverse_oblique_and_only_32_is_subtrochanteric() -> None:
    for year, codes in CODES.items():
        for code in codes:
            read = read_class(code, year)
            assert read.reverse_oblique == ("A3" in code and "31" in code)
            assert read.subtrochanteric == (code[:2] == "32")
            assert read.group == ("32" if read.subtrochanteric else code[:4])


def test_the_bare_group_31a2_of_2007_does_not_say_whether_it_is_stable() -> None:
    assert read_class("31A2", 2007).stable is None
    assert read_class("31A2", 2018).stable is False


def test_an_unmeasured_unseen_wall_stays_unknown() -> None:
    wall = lateral_wall(None, "unknown")
    assert (wall.state, wall.evidence, wall.conflict) == ("unknown", (), False)


def test_a_class_alone_never_turns_an_unknown_wall_into_an_intact_one() -> None:
    assert lateral_wall(None, "unknown", read_class("31A1.3", 2018)).state == "unknown"


def test_a_class_alone_is_enough_for_a_wall_that_does_not_carry() -> None:
    assert lateral_wall(None, "unknown", read_class("31A2.3", 2018)).state == "thin"
    assert lateral_wall(None, "unknown", read_class("31A3.1", 2018)).state == "broken"


def test_a_thin_wall_in_an_intact_class_is_reported_and_not_corrected() -> None:
    fracture = read_class("31A1.3", 2018)
    wall = lateral_wall(18.0, "unknown", fracture)
    assert wall.conflict
    assert wall.state == "thin"
    assert {piece.state for piece in wall.evidence} == {"thin", "intact"}
    assert "18 mm" in wall.reason
    assert "31A1.3" in wall.reason


def test_a_thick_wall_in_an_incompetent_class_is_a_conflict_too() -> None:
    wall = lateral_wall(26.0, "unknown", read_class("31A2.2", 2018))
    assert wall.conflict
    assert wall.state == "thin"


def test_what_was_seen_against_what_was_measured_is_a_conflict() -> None:
    assert lateral_wall(15.0, "intact").conflict
    assert lateral_wall(25.0, "broken").state == "broken"
    assert not lateral_wall(15.0, "broken").conflict
    assert not lateral_wall(25.0, "intact").conflict


def test_the_threshold_can_be_set() -> None:
    assert lateral_wall(20.0, "unknown", threshold_mm=18.0).state == "intact"


@pytest.mark.parametrize("thickness_mm", [0.0, -3.0, 101.0, math.nan, math.inf])
def test_an_impossible_thickness_is_refused(thickness_mm: float) -> None:
    with pytest.raises(FractureError) as refused:
        lateral_wall(thickness_mm, "unknown")
    assert refused.value.pointer == "/lateral_wall_mm"


def test_a_word_for_the_wall_that_nobody_uses_is_refused() -> None:
    with pytest.raises(FractureError) as refused:
        lateral_wall(None, "fine")  # type: ignore[arg-type] # a wrong word from outside
    assert refused.value.pointer == "/lateral_wall_state"
