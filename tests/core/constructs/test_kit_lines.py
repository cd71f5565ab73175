"""What a construct asks of the shelf, against sizes worked by hand."""

import pytest

from service.core.catalogue import ItemFacts
from service.core.constructs.kit_lines import FIRST_USE, IN_ROOM
from service.core.constructs.templates import ItemCondition, Role, RoleSize
from service.core.sizing import SizeBand, SizeRule
from service.core.sizing.film import Measurements
from tests.core.constructs.worked_roles import CALIBRATED, LAG, NAIL, SYSTEM, lines_of, said, screws
from tests.core.planner_catalogue import lag_screws, short_nails


def test_a_neck_of_114_mm_on_film_beside_a_30_mm_marker_takes_a_90_mm_lag_screw() -> None:
    # 114 × 25 / 30 = 95 mm; 5 mm shorter for compression is 90 mm.
    lines = lines_of(LAG, catalogue=lag_screws(*range(70, 125, 5)), measured=CALIBRATED)
    assert said(lines) == [
        ("Demo lag screw 90 mm, headed", "nominal"),
        ("Demo lag screw 85 mm, headed", "one size shorter"),
        ("Demo lag screw 95 mm, headed", "one size longer"),
    ]
    assert [line.place for line in lines] == [FIRST_USE, IN_ROOM, IN_ROOM]
    assert [line.is_nominal for line in lines] == [True, False, False]


def test_without_a_marker_two_sizes_either_side_are_brought() -> None:
    # 114 / 1.2 = 95 mm again, from a film nobody can scale.
    film = Measurements(neck_film_mm=114)
    lines = lines_of(LAG, catalogue=lag_screws(*range(70, 125, 5)), measured=film)
    assert [why for _, why in said(lines)] == [
        "nominal",
        "two sizes shorter",
        "one size shorter",
        "one size longer",
        "two sizes longer",
    ]
    assert [line.label.split()[3] for line in lines] == ["90", "80", "85", "95", "100"]


def test_at_the_end_of_the_range_only_the_sizes_made_are_brought() -> None:
    lines = lines_of(LAG, catalogue=lag_screws(90, 95, 100), measured=CALIBRATED)
    assert [line.label.split()[3] for line in lines] == ["90", "95"]
    lines = lines_of(LAG, catalogue=lag_screws(80, 85, 90), measured=CALIBRATED)
    assert [line.label.split()[3] for line in lines] == ["90", "85"]


def test_a_canal_of_12_4_mm_takes_an_11_mm_nail() -> None:
    # 14.88 × 25 / 30 = 12.4 mm; less 1 mm is 11.4 mm, and the nail is at most that.
    lines = lines_of(NAIL, catalogue=short_nails(9, 10, 11, 12, 13), measured=CALIBRATED)
    assert said(lines) == [
        ("Demo nail 11 × 180 mm, 130°", "nominal"),
        ("Demo nail 10 × 180 mm, 130°", "one size thinner"),
        ("Demo nail 12 × 180 mm, 130°", "one size thicker"),
    ]


LONG = Role(
    "nail",
    ("single_lag_screw_nail",),
    match=frozenset({"side"}),
    sizes=(
        NAIL.sizes[0],
        RoleSize("length_mm", "femur", None, SizeRule(step_mm=20)),
    ),
)


def long_nails(*sizes: tuple[int, int, str]) -> list[ItemFacts]:
    return [
        ItemFacts(
            f"LN-{wide}-{long}-{side}",
            "single_lag_screw_nail",
            diameter_mm=wide,
            length_mm=long,
            side=side,
        )
        for wide, long, side in sizes
    ]


MEASURED = Measurements(canal_film_mm=14.88, nail_length_mm=352, marker_film_mm=30)


def test_a_long_nail_is_the_nearest_length_with_one_length_and_one_diameter_either_side() -> None:
    # 352 mm lies nearer to 360 than to 340.
    made = [(wide, long, "left") for wide in (10, 11, 12) for long in range(300, 420, 20)]
    lines = lines_of(LONG, catalogue=long_nails(*made), measured=MEASURED)
    assert [(line.refs, line.why) for line in lines] == [
        (("LN-11-360-left",), "nominal"),
        (("LN-10-360-left",), "one size thinner"),
        (("LN-12-360-left",), "one size thicker"),
        (("LN-11-340-left",), "one size shorter"),
        (("LN-11-380-left",), "one size longer"),
    ]


def test_a_neighbour_that_is_not_made_with_the_other_size_is_left_out() -> None:
    made = [(11, 340, "left"), (11, 360, "left"), (12, 360, "left"), (10, 340, "left")]
    lines = lines_of(LONG, catalogue=long_nails(*made), measured=MEASURED)
    assert [line.refs[0] for line in lines] == [
        "LN-11-360-left",
        "LN-12-360-left",
        "LN-11-340-left",
    ]


def test_a_combination_that_is_not_made_stays_on_the_list_and_names_both_sizes() -> None:
    made = [(11, 340, "left"), (12, 360, "left")]
    (line,) = lines_of(LONG, catalogue=long_nails(*made), measured=MEASURED)
    assert line.refs == ()
    assert line.label == "nail diameter 11 mm, length 360 mm, left"


def test_only_the_side_of_the_case_serves_and_the_other_side_is_remembered() -> None:
    made = [(11, 360, side) for side in ("left", "right")]
    (line,) = lines_of(LONG, catalogue=long_nails(*made), measured=MEASURED, side="right")
    assert line.refs == ("LN-11-360-right",)
    assert line.other_side == ("LN-11-360-left",)


def test_an_item_for_either_side_serves_both_and_is_no_other_side() -> None:
    lines = lines_of(NAIL, catalogue=short_nails(11), measured=CALIBRATED)
    assert lines[0].refs == ("N-11-130-either",)
    assert lines[0].other_side == ()


def test_a_headless_screw_of_the_same_length_does_not_serve_but_is_remembered() -> None:
    headed = Role(
        LAG.role,
        LAG.kinds,
        where=(ItemCondition("head_design", equals="headed"),),
        match=SYSTEM,
        sizes=LAG.sizes,
    )
    both = [*lag_screws(90), *lag_screws(90, 95, head="headless")]
    (line,) = lines_of(headed, catalogue=both, measured=CALIBRATED)
    assert line.refs == ("Demo-L-90-headed",)
    assert line.other_head == ("Demo-L-90-headless",)


ANTIROTATION = Role(
    "antirotation screw",
    ("antirotation_screw",),
    sizes=(
        RoleSize(
            "length_mm",
            None,
            "lag screw",
            SizeRule(step_mm=5, within_mm=5),
            offset_default="antirotation_offset_mm",
        ),
    ),
)


def test_the_antirotation_screw_is_15_mm_shorter_than_the_lag_screw_chosen() -> None:
    # 10 to 20 mm shorter: common practice, no source. 90 − 15 = 75.
    catalogue = [*lag_screws(85, 90, 95), *screws("antirotation_screw", 65, 70, 75, 80, 85)]
    lines = lines_of(LAG, ANTIROTATION, catalogue=catalogue, measured=CALIBRATED)
    own = [line for line in lines if line.role == "antirotation screw"]
    assert [(line.refs, line.why) for line in own] == [
        (("antirotation_screw-75",), "nominal"),
        (("antirotation_screw-70",), "one size shorter"),
        (("antirotation_screw-80",), "one size longer"),
    ]


def test_a_follower_that_is_not_made_names_its_leader_and_what_is_made() -> None:
    catalogue = [*lag_screws(85, 90, 95), *screws("antirotation_screw", 90, 100)]
    *_, line = lines_of(LAG, ANTIROTATION, catalogue=catalogue, measured=CALIBRATED)
    assert line.refs == ()
    assert line.label == (
        "antirotation screw to go with a lag screw of 90 mm (length made 90 to 100 mm)"
    )


def test_a_chain_of_followers_ends_in_the_dimension_of_the_first() -> None:
    # Washer-like third role: 75 − 15 = 60 mm, with the neck's one size either side.
    third = Role(
        "third",
        ("cortical_screw",),
        sizes=(
            RoleSize("length_mm", None, "antirotation screw", SizeRule(offset_mm=-15, step_mm=5)),
        ),
    )
    catalogue = [
        *lag_screws(90),
        *screws("antirotation_screw", 75),
        *screws("cortical_screw", 50, 55, 60, 65, 70),
    ]
    lines = lines_of(LAG, ANTIROTATION, third, catalogue=catalogue, measured=CALIBRATED)
    own = [line.refs[0] for line in lines if line.role == "third"]
    assert own == ["cortical_screw-60", "cortical_screw-55", "cortical_screw-65"]


BARREL = Role(
    "side plate",
    ("side_plate",),
    sizes=(
        RoleSize(
            "barrel_mm",
            None,
            "lag screw",
            SizeRule(bands=(SizeBand(75, 25), SizeBand(None, 38))),
            bound_default="barrel_short_up_to_mm",
            cover=False,
        ),
    ),
)


@pytest.mark.parametrize(("neck_mm", "lag", "barrel"), [(85, 80, 25), (90, 85, 38), (95, 90, 38)])
def test_a_lag_screw_of_80_mm_or_less_takes_the_short_barrel(
    neck_mm: float, lag: int, barrel: int
) -> None:
    # Short barrel for a lag screw of 80 mm or less: textbook; the setting moves the first bound.
    plates = [ItemFacts(f"P-{size}", "side_plate", barrel_mm=size) for size in (25, 38)]
    lines = lines_of(
        LAG,
        BARREL,
        catalogue=[*lag_screws(75, 80, 85, 90), *plates],
        measured=Measurements(neck_film_mm=neck_mm * 1.2, marker_film_mm=30),
    )
    assert lines[0].refs == (f"Demo-L-{lag}-headed",)
    assert [line.refs for line in lines if line.role == "side plate"] == [(f"P-{barrel}",)]


def test_a_size_beyond_the_range_is_not_made_and_says_what_is() -> None:
    # 150 × 25 / 30 = 125 mm, 120 after the offset: more than one step beyond 100 mm.
    far = Measurements(neck_film_mm=150, marker_film_mm=30)
    (line,) = lines_of(LAG, catalogue=lag_screws(80, 85, 90, 95, 100), measured=far)
    assert line.refs == ()
    assert line.label == "Demo lag screw for a measurement of 125 mm (length made 80 to 100 mm)"
    assert line.is_nominal


def test_what_no_catalogue_line_fills_says_that_none_is_made_for_this_angle_and_side() -> None:
    catalogue = short_nails(11, side="right")
    (line,) = lines_of(NAIL, catalogue=catalogue, measured=CALIBRATED)
    assert line.refs == ()
    assert line.label == "Demo nail for a measurement of 12 mm (none made), 130°, left"
