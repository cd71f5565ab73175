"""What a catalogue line may be, across its columns."""

from typing import Any

import pytest

from service.core.catalogue import (
    CONSUMABLE_KINDS,
    CURRENCIES_WITHOUT_MINOR,
    IMPLANT_KINDS,
    INSTRUMENT_SET_KINDS,
    ITEM_KINDS,
    NAIL_KINDS,
    ItemFacts,
    check_item,
    describe_shared_size,
    describe_size,
)

NAIL: dict[str, Any] = {
    "kind": "single_lag_screw_nail",
    "system": "Demo",
    "length_mm": 180.0,
    "diameter_mm": 11.0,
    "angle_deg": 130.0,
    "side": "either",
}


SET: dict[str, Any] = {
    "kind": "nail_instrument_set",
    "system": "Demo",
    "reusable": True,
    "turnaround_minutes": 240,
}


def fields(facts: dict[str, Any]) -> list[str]:
    return [fault.field for fault in check_item(facts)]


def test_a_complete_line_has_no_fault() -> None:
    assert fields(NAIL) == []
    assert fields(SET) == []


@pytest.mark.parametrize("column", ["system", "length_mm", "diameter_mm", "angle_deg", "side"])
def test_a_nail_without_a_column_that_sizes_or_matches_it_is_refused(column: str) -> None:
    (fault,) = check_item({**NAIL, column: None})
    assert fault.field == column
    assert fault.reason.startswith(f"single_lag_screw_nail needs {column}")


@pytest.mark.parametrize(
    ("length_mm", "side", "faults"),
    [(279.0, "either", []), (280.0, "either", ["side"]), (280.0, "left", []), (400, "right", [])],
)
def test_a_nail_of_280_mm_or_more_has_a_side(
    length_mm: float, side: str, faults: list[str]
) -> None:
    # Long nails are bowed: common practice, no source.
    for kind in NAIL_KINDS:
        assert fields({**NAIL, "kind": kind, "length_mm": length_mm, "side": side}) == faults


def test_a_kind_nobody_knows_is_refused_with_the_kinds_there_are() -> None:
    (fault,) = check_item({"kind": "wooden_peg"})
    assert fault.field == "kind"
    assert all(kind in fault.reason for kind in ITEM_KINDS)


@pytest.mark.parametrize(
    ("column", "value"),
    [("length_mm", 0.0), ("length_mm", 601.0), ("diameter_mm", -1.0), ("angle_deg", 181.0)],
)
def test_a_figure_no_implant_has_is_refused(column: str, value: float) -> None:
    assert column in fields({**NAIL, "side": "left", column: value})


def test_an_instrument_set_needs_its_turnaround_and_is_reusable() -> None:
    assert fields({**SET, "turnaround_minutes": None}) == ["turnaround_minutes"]
    assert fields({**SET, "reusable": False}) == ["reusable"]
    assert fields({**NAIL, "turnaround_minutes": 240}) == ["turnaround_minutes"]


def test_every_kind_is_in_exactly_one_family() -> None:
    families = (IMPLANT_KINDS, INSTRUMENT_SET_KINDS, CONSUMABLE_KINDS)
    assert sum(len(family) for family in families) == len(ITEM_KINDS)
    assert NAIL_KINDS < IMPLANT_KINDS


def test_the_currencies_without_a_minor_unit_are_those_of_the_standard() -> None:
    # ISO 4217 list one, exponent 0, from memory; GBP and EUR have two digits, KWD three.
    assert {"JPY", "KRW", "ISK", "CLP", "VND", "XOF"} <= CURRENCIES_WITHOUT_MINOR
    assert not {"GBP", "EUR", "USD", "KWD"} & CURRENCIES_WITHOUT_MINOR


@pytest.mark.parametrize(
    ("facts", "said"),
    [
        ({"length_mm": 90}, "90 mm"),
        ({"diameter_mm": 1.25}, "1.25 mm"),
        (
            {"length_mm": 340, "diameter_mm": 11, "angle_deg": 130, "side": "left"},
            "11 × 340 mm, 130°, left",
        ),
        ({"angle_deg": 135, "holes": 4, "barrel_mm": 38, "side": "either"}, None),
        ({"length_mm": 80, "diameter_mm": 6.5, "thread": "partly"}, "6.5 × 80 mm, partly threaded"),
        ({"length_mm": 95, "head_design": "headless"}, "95 mm, headless"),
        ({}, ""),
    ],
)
def test_a_size_is_said_the_way_it_is_said_in_theatre(
    facts: dict[str, Any], said: str | None
) -> None:
    expected = "135°, 4 holes, 38 mm barrel" if said is None else said
    assert describe_size(ItemFacts("R", "washer", **facts)) == expected


def test_a_line_that_several_items_serve_says_what_they_share_and_no_more() -> None:
    plates = [
        ItemFacts(f"P{holes}", "side_plate", angle_deg=135, holes=holes, barrel_mm=38)
        for holes in (4, 5)
    ]
    assert describe_shared_size(plates) == "135°, 38 mm barrel"
    assert describe_shared_size(plates[1:]) == "135°, 5 holes, 38 mm barrel"
    screws = [
        ItemFacts(f"S{across}", "cancellous_screw", length_mm=80, diameter_mm=across)
        for across in (6.5, 7.0)
    ]
    assert describe_shared_size(screws) == "80 mm"
