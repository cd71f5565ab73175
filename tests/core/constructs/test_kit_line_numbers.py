"""How many of each a construct asks for, where they go, and what its parts share."""

from typing import Any

import pytest

from service.core.catalogue import ItemFacts
from service.core.constructs.kit_lines import (
    CONSUMABLE,
    FIRST_USE,
    IMPLANT,
    IN_ROOM,
    INSTRUMENT_SET,
    ON_SHELF,
    KitLine,
    by_kind,
    construct_lines,
    near_line,
)
from service.core.constructs.planned import ConstructPart, PlannedConstruct
from service.core.constructs.templates import ItemCondition, Role, RoleSize, Template
from service.core.sizing import LengthEstimate, SizeRule
from service.core.sizing.film import Dimension, estimate_dimensions
from tests.core.constructs.worked_roles import CALIBRATED, LAG, NAIL, lines_of, screws
from tests.core.planner_catalogue import VALUES, lag_screws, short_nails


def test_a_role_with_a_spread_of_numbers_asks_for_the_usual_and_up_to_the_largest() -> None:
    wires = Role("wire", ("cerclage_wire",), quantity=((1, 0.3), (2, 0.4), (4, 0.3)))
    lines = lines_of(wires, catalogue=[ItemFacts("W", "cerclage_wire", diameter_mm=1.25)])
    assert [(line.quantity, line.why, line.place, line.is_nominal) for line in lines] == [
        (2, "nominal", FIRST_USE, True),
        (2, "up to 4 may be needed", IN_ROOM, False),
    ]


def test_of_equally_probable_numbers_the_larger_is_the_usual_one() -> None:
    wires = Role("wire", ("cerclage_wire",), quantity=((2, 0.5), (3, 0.5)))
    (line,) = lines_of(wires, catalogue=[ItemFacts("W", "cerclage_wire")])
    assert line.quantity == 3


def test_a_number_that_is_never_taken_is_not_asked_for() -> None:
    wires = Role("wire", ("cerclage_wire",), quantity=((1, 1.0), (9, 0.0)))
    (line,) = lines_of(wires, catalogue=[ItemFacts("W", "cerclage_wire")])
    assert line.quantity == 1


def test_a_spare_is_asked_for_sized_implants_taken_once_and_for_nothing_else() -> None:
    twice = Role(
        "screw",
        ("cortical_screw",),
        quantity=((2, 1.0),),
        sizes=(RoleSize("length_mm", "shaft", None, SizeRule(fit="at_least", step_mm=2)),),
    )
    catalogue = [
        *lag_screws(90),
        *screws("cortical_screw", 38),
        ItemFacts("E", "end_cap"),
        ItemFacts("I", "nail_instrument_set"),
    ]
    roles = (
        LAG,
        twice,
        Role("end cap", ("end_cap",)),
        Role("instruments", ("nail_instrument_set",)),
    )
    lines = lines_of(*roles, catalogue=catalogue, measured=CALIBRATED, with_spares=True)
    spares = [line for line in lines if line.why.startswith("spare")]
    assert [(line.role, line.quantity, line.place) for line in spares] == [
        ("lag screw", 1, IN_ROOM)
    ]
    without = lines_of(*roles, catalogue=catalogue, measured=CALIBRATED)
    assert not [line for line in without if line.why.startswith("spare")]


def test_an_alternates_lines_are_in_the_room_and_its_neighbours_on_their_shelf() -> None:
    lines = lines_of(LAG, catalogue=lag_screws(85, 90, 95), measured=CALIBRATED, is_primary=False)
    assert [line.place for line in lines] == [IN_ROOM, ON_SHELF, ON_SHELF]


def test_what_a_line_is_follows_its_kinds() -> None:
    roles = [Role(kind, (kind,)) for kind in ("reamer_set", "guide_wire", "washer")]
    lines = lines_of(*roles, catalogue=[ItemFacts(f"{r.role}-1", r.role) for r in roles])
    assert [line.what for line in lines] == [INSTRUMENT_SET, CONSUMABLE, IMPLANT]
    mixed = Role("any", ("reamer_set", "washer"))
    assert lines_of(mixed, catalogue=[])[0].what == IMPLANT


def two_parts(first: Role, second: Role, catalogue: list[ItemFacts]) -> tuple[KitLine, ...]:
    return construct_lines(
        PlannedConstruct((ConstructPart("a"), ConstructPart("b"))),
        templates={
            "a": Template("a", "A", "base", (first,)),
            "b": Template("b", "B", "add_on", (second,)),
        },
        side="left",
        catalogue=by_kind(catalogue),
        dimensions={},
        values={},
        is_primary=True,
    )


def test_an_instrument_set_two_parts_share_is_brought_once_in_the_larger_number() -> None:
    sets = [ItemFacts("S", "plate_instrument_set")]
    one, two = (
        Role("plate set", ("plate_instrument_set",), quantity=((number, 1.0),)) for number in (1, 2)
    )
    (line,) = two_parts(one, two, sets)
    assert (line.quantity, line.part) == (2, "a")


def test_a_set_that_may_be_needed_twice_is_asked_for_twice() -> None:
    role = Role("plate set", ("plate_instrument_set",), quantity=((1, 0.8), (2, 0.2)))
    lines = lines_of(role, catalogue=[ItemFacts("S", "plate_instrument_set")])
    assert [line.quantity for line in lines] == [1, 1]


def test_two_parts_that_name_a_role_alike_keep_their_own_lines() -> None:
    first, second = (
        Role("cancellous screw", ("cancellous_screw",), where=(ItemCondition("thread", thread),))
        for thread in ("partly", "fully")
    )
    catalogue = [ItemFacts(f"C-{t}", "cancellous_screw", thread=t) for t in ("partly", "fully")]
    lines = two_parts(first, second, catalogue)
    assert [(line.part, line.refs) for line in lines] == [("a", ("C-partly",)), ("b", ("C-fully",))]


def test_a_catalogue_by_kind_from_elsewhere_gives_the_same_lines() -> None:
    roles, catalogue = (LAG, NAIL), [*lag_screws(85, 90, 95), *short_nails(10, 11, 12)]
    facts: dict[str, Any] = {
        "templates": {"t": Template("t", "T", "base", roles)},
        "side": "left",
        "dimensions": estimate_dimensions(CALIBRATED, "F", VALUES),
        "values": VALUES,
        "is_primary": True,
    }
    planned = PlannedConstruct((ConstructPart("t", "Demo", 130.0),))
    sorted_once = by_kind(catalogue)
    first = construct_lines(planned, catalogue=sorted_once, **facts)
    assert construct_lines(planned, catalogue=sorted_once, **facts) == first
    assert construct_lines(planned, catalogue=dict(by_kind(catalogue[::-1])), **facts) == first


def test_what_must_be_near_takes_any_item_of_its_kind_and_stays_on_its_shelf() -> None:
    catalogue = by_kind([ItemFacts("X2", "extraction_set"), ItemFacts("X1", "extraction_set")])
    line = near_line("extraction_set", "metal is in situ", catalogue)
    assert (line.refs, line.place, line.what) == (("X1", "X2"), ON_SHELF, INSTRUMENT_SET)
    assert line.why == "have available: metal is in situ"
    assert near_line("guide_wire", "r", catalogue).what == CONSUMABLE
    assert near_line("washer", "r", catalogue).refs == ()


def test_a_size_that_hangs_on_nothing_is_a_fault_of_the_template() -> None:
    role = Role("lag screw", ("lag_screw",), sizes=(RoleSize("length_mm", None, None, SizeRule()),))
    with pytest.raises(ValueError, match="neither a dimension nor a role"):
        lines_of(role, catalogue=lag_screws(85, 90))


def test_a_certain_length_exactly_between_two_sizes_takes_the_smaller() -> None:
    # The rule of `choose`: a tie takes the smaller size (common practice, no source).
    known = {"neck": Dimension(LengthEstimate(97.5, 0.0, calibrated=True), "measured", 1)}
    lines = lines_of(LAG, catalogue=lag_screws(85, 90, 95, 100), dimensions=known)
    assert lines[0].refs == ("Demo-L-90-headed",)
