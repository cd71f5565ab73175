"""A construct in its bone, checked by numbers: angles, tips, canals, cortices, mirror images."""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike

from tests.web.pictures.pictures_kit import (
    BLADE,
    BUTTRESS,
    CONSTRUCTS,
    FEMUR,
    LAG,
    LONG,
    NAIL,
    PLATE,
    SCREWS,
    SHORT,
    TWO_SCREWS,
)
from web.pictures.femur.bone import RANGES, Femur, bone_of, fracture_lines
from web.pictures.femur.geometry import lay_out
from web.pictures.femur.implants import ConstructLayout, Implant, Kind, PicturedConstruct, Rod

NECK_SCREWS = ("lag screw", "helical blade", "antirotation screw", "cancellous screw")


def is_inside(outline: tuple[tuple[float, float], ...], point: tuple[float, float]) -> bool:
    """Tell by the winding number: the angles under which a point sees the outline add up."""
    rays = np.asarray(outline) - np.asarray(point)
    after = np.roll(rays, -1, axis=0)
    cross = rays[:, 0] * after[:, 1] - rays[:, 1] * after[:, 0]
    turned = float(np.sum(np.arctan2(cross, np.sum(rays * after, axis=1))))
    return abs(turned) > math.pi


def cross(one: ArrayLike, other: ArrayLike) -> float:
    (x1, y1), (x2, y2) = np.asarray(one), np.asarray(other)
    return float(x1 * y2 - y1 * x2)


def the_rod(layout: ConstructLayout, kind: Kind) -> Rod:
    rod = layout.rod(kind)
    assert rod is not None, layout.not_drawn
    return rod


def angle_to_shaft(rod: Rod) -> float:
    """Between the rod and the shaft below it, which points straight down: plain trigonometry."""
    dx, dy = rod.tip[0] - rod.back[0], rod.tip[1] - rod.back[1]
    return math.degrees(math.acos(dy / math.hypot(dx, dy)))


@pytest.mark.parametrize("construct", CONSTRUCTS, ids=lambda one: one.name)
def test_a_usual_construct_is_drawn_whole(construct: PicturedConstruct) -> None:
    layout = lay_out(FEMUR, construct)
    assert {one.implant for one in layout.drawn} == set(construct.implants)
    counts = {one.implant: one.count for one in layout.drawn}
    assert all(counts[one] == one.quantity for one in construct.implants)


@pytest.mark.parametrize("construct", CONSTRUCTS, ids=lambda one: one.name)
def test_the_tip_lies_inside_the_head_and_short_of_its_apex(construct: PicturedConstruct) -> None:
    layout = lay_out(FEMUR, construct)
    rod = next(rod for rod in layout.rods if rod.kind in ("lag screw", "helical blade"))
    bone = layout.bone
    assert math.dist(rod.tip, bone.head) < bone.head_radius_mm
    # A tip within 25 mm of the apex, both views together, is the published aim (Baumgaertner
    # 1995); one view alone must lie well under it, and above nought.
    assert 0 < math.dist(rod.tip, bone.apex) < 25


@pytest.mark.parametrize("length", [85.0, 90.0, 95.0, 100.0, 105.0])
def test_the_tip_keeps_off_the_joint_or_the_screw_is_not_drawn(length: float) -> None:
    layout = lay_out(FEMUR, PicturedConstruct("n", (NAIL, replace(LAG, length_mm=length))))
    rod, bone = layout.rod("lag screw"), layout.bone
    if rod is None:
        # On a path of 100 mm a screw 10 mm too short or too long may still lie well.
        assert not 90 <= length <= 100
        assert f"10.5 × {length:g} mm" in " ".join(layout.not_drawn)
        return
    # The tip ends at least 5 mm under the joint's surface: common practice, no source.
    assert bone.head_radius_mm - math.dist(rod.tip, bone.head) >= 5
    assert rod.length_mm == pytest.approx(length)


@pytest.mark.parametrize("angle", [125.0, 130.0, 135.0])
@pytest.mark.parametrize("construct", [SHORT, TWO_SCREWS, BLADE, LONG], ids=lambda one: one.name)
def test_screws_cross_the_nail_at_the_nails_angle(
    construct: PicturedConstruct, angle: float
) -> None:
    nail_item = replace(NAIL, angle_deg=angle, length_mm=construct.implants[0].length_mm)
    layout = lay_out(FEMUR, replace(construct, implants=(nail_item, *construct.implants[1:])))
    nail = layout.nail
    assert nail is not None
    for rod in (rod for rod in layout.rods if rod.kind in NECK_SCREWS):
        assert angle_to_shaft(rod) == pytest.approx(angle, abs=1e-9)
        # Solve for where the rod's line meets the line of the nail's upper part.
        upper = np.subtract(nail.top, nail.bend)
        along = np.subtract(rod.tip, rod.back)
        share, up = np.linalg.solve(
            np.column_stack([along, -upper]), np.subtract(nail.bend, rod.back)
        )
        assert 0 < share < 1
        assert 0 < up < 1
        # Its back end reaches out of the nail's far side: a screw must be able to slide.
        crossing = np.asarray(rod.back) + share * along
        assert math.dist(crossing, rod.back) > nail.upper_mm / 2


@pytest.mark.parametrize("length", [180.0, 235.0, 340.0, 460.0])
def test_a_nail_has_its_true_length_with_what_the_break_leaves_out(length: float) -> None:
    layout = lay_out(FEMUR, PicturedConstruct("n", (replace(NAIL, length_mm=length), LAG)))
    nail = layout.nail
    assert nail is not None
    drawn = math.dist(nail.top, nail.bend) + math.dist(nail.bend, nail.tip)
    omitted = layout.cut.omitted_mm if layout.cut else 0.0
    assert drawn + omitted == pytest.approx(length)
    assert nail.length_mm == pytest.approx(length)
    assert (layout.cut is None) == (length == 180)


def test_the_nail_lies_inside_the_canal_all_the_way_down() -> None:
    layout = lay_out(FEMUR, SHORT)
    nail, bone = layout.nail, layout.bone
    assert nail is not None
    for y in np.arange(bone.canal[1][1], nail.tip[1], 0.5):
        assert nail.half_mm(float(y)) < bone.half_canal_mm(float(y))
        assert abs(nail.axis_x(float(y))) + nail.half_mm(float(y)) < bone.half_shaft_mm


@pytest.mark.parametrize("diameter", [13.0, 13.5, 16.0])
def test_a_nail_as_thick_as_the_canal_is_said_and_not_drawn(diameter: float) -> None:
    layout = lay_out(FEMUR, PicturedConstruct("n", (replace(NAIL, diameter_mm=diameter), LAG)))
    assert layout.nail is None
    assert layout.rods == ()
    assert f"{diameter:g} × 180 mm" in layout.not_drawn[0]
    assert "canal of 13.0 mm" in layout.not_drawn[0]
    assert "its nail is not drawn" in layout.not_drawn[1]


def test_the_antirotation_screw_lies_above_the_lag_screw_and_clear_of_it() -> None:
    layout = lay_out(FEMUR, TWO_SCREWS)
    lag, second = the_rod(layout, "lag screw"), the_rod(layout, "antirotation screw")
    assert angle_to_shaft(lag) == pytest.approx(angle_to_shaft(second))
    along = np.subtract(lag.tip, lag.back) / lag.length_mm
    gap = np.subtract(second.tip, lag.back)
    # The perpendicular distance; y counts down the page, so above is negative.
    beside = along[0] * gap[1] - along[1] * gap[0]
    assert beside < -(lag.diameter_mm + second.diameter_mm) / 2
    outline = layout.bone.polygon
    points = [np.asarray(second.back) + mark * along for mark in np.arange(25, second.length_mm, 1)]
    up = np.array([along[1], -along[0]]) * second.diameter_mm / 2
    assert all(is_inside(outline, tuple(p + by * up)) for p in points for by in (-1, 1))


def test_a_plate_lies_on_the_lateral_cortex() -> None:
    layout = lay_out(FEMUR, PLATE)
    (plate,) = layout.plates
    outline = np.asarray(layout.bone.polygon)
    lateral = outline[outline[:, 0] < 0]
    for y in np.arange(plate.inner[0][1] + 12, plate.inner[-1][1], 2.0):
        bone_x = np.interp(y, lateral[:, 1][:60][::-1], lateral[:, 0][:60][::-1])
        assert abs(plate.inner[0][0] - bone_x) < 2.0
    assert all(out[0] < into[0] for out, into in zip(plate.outer, plate.inner, strict=True))


def test_the_barrel_covers_the_screw_but_not_its_thread() -> None:
    layout = lay_out(FEMUR, PLATE)
    lag, barrel = the_rod(layout, "lag screw"), layout.rod("barrel")
    assert barrel is not None
    assert barrel.diameter_mm >= lag.diameter_mm
    assert cross(lag.towards, barrel.towards) == pytest.approx(0, abs=1e-9)
    reach = np.dot(np.subtract(barrel.tip, lag.back), lag.towards)
    start = np.dot(np.subtract(barrel.back, lag.back), lag.towards)
    covered = reach - max(start, 0.0)
    assert covered >= 10
    assert reach < lag.length_mm - lag.thread_mm + 5
    # The barrel is measured from the plate's inner face.
    assert barrel.length_mm == pytest.approx(38 + 5)


def test_cortical_screws_have_a_hole_each_and_reach_the_far_cortex() -> None:
    layout = lay_out(FEMUR, PLATE)
    screws = [rod for rod in layout.rods if rod.kind == "cortical screw"]
    heights = [rod.back[1] for rod in screws]
    assert len(screws) == 4
    assert heights == sorted(set(heights))
    assert all(rod.length_mm == pytest.approx(38) for rod in screws)
    assert all(rod.tip[0] > layout.bone.half_shaft_mm - 3 for rod in screws)


def test_more_cortical_screws_than_holes_are_said() -> None:
    two_holes = tuple(
        replace(one, holes=2) if one.kind == "side plate" else one for one in PLATE.implants
    )
    layout = lay_out(FEMUR, PicturedConstruct("p", two_holes))
    assert sum(rod.kind == "cortical screw" for rod in layout.rods) == 2
    assert "4 are taken and the plate has 2 holes" in " ".join(layout.not_drawn)


@pytest.mark.parametrize("construct", [LONG, BUTTRESS], ids=lambda one: one.name)
def test_wires_go_around_the_shaft_outside_the_cortex(construct: PicturedConstruct) -> None:
    layout = lay_out(FEMUR, construct)
    outline = layout.bone.polygon
    assert layout.rings
    for ring in layout.rings:
        for x in (ring.lateral_x, ring.medial_x):
            near = x - math.copysign(ring.diameter_mm / 2, x)
            assert not is_inside(outline, (x, ring.y))
            assert not is_inside(outline, (near + math.copysign(0.01, x), ring.y))
        for plate in layout.plates:
            if plate.outer[0][1] <= ring.y <= plate.outer[-1][1]:
                assert ring.lateral_x < plate.outer[0][0]


def test_cancellous_screws_do_not_cut_into_each_other() -> None:
    layout = lay_out(FEMUR, SCREWS)
    one, other = (rod for rod in layout.rods if rod.kind == "cancellous screw")
    gap = np.subtract(other.tip, one.back)
    assert abs(cross(one.towards, gap)) > (one.diameter_mm + other.diameter_mm) / 2


@pytest.mark.parametrize("construct", CONSTRUCTS, ids=lambda one: one.name)
def test_the_other_side_is_the_mirror_image(construct: PicturedConstruct) -> None:
    right, left = (lay_out(replace(FEMUR, side=side), construct) for side in ("right", "left"))
    assert left.bone.polygon == pytest.approx(np.asarray(right.bone.polygon) * [-1, 1], abs=1e-6)
    assert [(-x, y) for rod in right.rods for x, y in (rod.back, rod.tip)] == [
        point for rod in left.rods for point in (rod.back, rod.tip)
    ]
    assert right.bone.head[0] > 0 > left.bone.head[0]
    assert left.not_drawn == right.not_drawn


@pytest.mark.parametrize("path", [80.0, 93.0, 102.0, 120.0])
@pytest.mark.parametrize("angle", [120.0, 130.0, 140.0])
def test_the_bone_has_the_measures_it_was_asked_for(path: float, angle: float) -> None:
    bone = bone_of(Femur("right", neck_path_mm=path, neck_shaft_deg=angle, canal_mm=12))
    assert math.dist(bone.apex, bone.head) == pytest.approx(24)
    # March from the apex along the neck's axis to where the outline ends.
    step = -np.asarray(bone.neck) * 0.05
    point, far = np.asarray(bone.apex) + step, 0.05
    while is_inside(bone.polygon, tuple(point)):
        point, far = point + step, far + 0.05
    assert far == pytest.approx(path, abs=0.5)
    lowest = max(y for _, y in bone.canal)
    assert 2 * bone.half_canal_mm(lowest) == pytest.approx(12)


@pytest.mark.parametrize("wall", [12.0, 20.5, 28.0])
def test_the_lateral_wall_is_as_thick_as_measured(wall: float) -> None:
    # The wall is measured from 3 cm below the ridge, at 135 degrees upward, to the fracture line
    # (Hsu 2013).
    femur = replace(FEMUR, fracture="trochanteric simple", lateral_wall_mm=wall)
    bone = bone_of(femur)
    line = fracture_lines(femur, bone)[0]
    up = np.array([math.sin(math.radians(135)), math.cos(math.radians(135))])
    hit = np.asarray(bone.wall_point) + wall * up
    distances = [
        abs(cross(np.subtract(end, start), hit - np.asarray(start))) / math.dist(start, end)
        for start, end in pairwise(line)
    ]
    assert min(distances) < 1e-6


def test_each_class_group_has_lines_of_its_own() -> None:
    bone = bone_of(FEMUR)
    groups = (
        "trochanteric simple",
        "trochanteric multifragmentary",
        "reverse oblique",
        "subtrochanteric",
    )
    drawn = [fracture_lines(replace(FEMUR, fracture=group), bone) for group in groups]  # type: ignore[arg-type] # the loop's words are the type's
    assert len(set(drawn)) == 4
    assert len(drawn[1]) > len(drawn[0])
    # A reverse oblique line rises from lateral to medial; a plain one falls.
    assert drawn[2][0][0][1] > drawn[2][0][-1][1]
    assert drawn[0][0][0][1] < drawn[0][0][-1][1]
    # A subtrochanteric one lies below the lesser trochanter, the outline's medial bulge.
    bulge = max(bone.medial[3:], key=lambda point: point[0])
    assert all(y > bulge[1] for _, y in drawn[3][0])
    assert fracture_lines(FEMUR, bone) == ()


@pytest.mark.parametrize("measure", RANGES)
def test_a_bone_out_of_range_holds_no_implant_and_says_why(measure: str) -> None:
    for value in (RANGES[measure][0] - 1, RANGES[measure][1] + 1):
        layout = lay_out(replace(FEMUR, **{measure: value}), SHORT)  # type: ignore[arg-type] # the measures are all floats
        assert layout.drawn == ()
        assert f"of {value:.0f} is outside" in layout.not_drawn[0]


def leaves_the_bone(layout: ConstructLayout, rod: Rod) -> bool:
    """Look along both edges, from the middle of the shaft to the tip."""
    along = np.subtract(rod.tip, rod.back) / rod.length_mm
    beside = np.array([along[1], -along[0]]) * rod.diameter_mm / 2
    flip = 1 if layout.bone.head[0] > 0 else -1
    edges = [
        np.asarray(rod.back) + mark * along + by * beside
        for mark in np.linspace(0, rod.length_mm, 40)
        for by in (-1, 1)
    ]
    inner = [edge for edge in edges if edge[0] * flip > 0]
    return not all(is_inside(layout.bone.polygon, (edge[0], edge[1])) for edge in inner)


def test_at_no_angle_and_length_does_a_drawn_screw_leave_the_neck() -> None:
    drawn = 0
    for angle in range(100, 165, 5):
        for length in range(60, 150, 10):
            items = (replace(NAIL, angle_deg=angle), replace(LAG, length_mm=length))
            layout = lay_out(FEMUR, PicturedConstruct("n", items))
            for rod in (rod for rod in layout.rods if rod.kind == "lag screw"):
                drawn += 1
                assert not leaves_the_bone(layout, rod), (angle, length)
    # Some of them fit and some do not.
    assert 0 < drawn < 13 * 9


def some(low: float, high: float, step: float) -> st.SearchStrategy[float | None]:
    marks = st.integers(0, int((high - low) / step)).map(lambda n: low + n * step)
    return st.one_of(st.none(), marks, marks, marks)


IMPLANTS = st.builds(
    lambda nail_mm, across, angle, lag_mm, second_mm, holes, barrel, lock_mm, extra_mm: (
        Implant("nail", "Nail", 1, nail_mm, across, angle),
        Implant("lag screw", "Lag", 1, lag_mm, 10.5),
        Implant("antirotation screw", "Second", 1, second_mm, 6.5),
        Implant("set screw", "Set"),
        Implant("end cap", "Cap"),
        Implant("distal locking screw", "Lock", 2, lock_mm, 5),
        Implant("helical blade", "Blade", 1, lag_mm, 10.5),
        Implant("side plate", "Plate", 1, angle_deg=angle, holes=holes, barrel_mm=barrel),
        Implant("cortical screw", "Cortical", 4, lock_mm, 4.5),
        Implant("compression screw", "Compression"),
        Implant("buttress plate", "Buttress"),
        Implant("buttress screw", "Buttress screw", 3, lock_mm, 3.5),
        Implant("cancellous screw", "Cancellous", 3, extra_mm, 6.5),
        Implant("washer", "Washer", 3, diameter_mm=13),
        Implant("cerclage wire", "Wire", 3, diameter_mm=1.25),
    ),
    some(100, 480, 10),
    some(8, 20, 0.5),
    some(90, 160, 2.5),
    some(40, 150, 2.5),
    some(40, 150, 2.5),
    st.one_of(st.none(), st.integers(1, 14)),
    some(15, 60, 1),
    some(10, 90, 2),
    some(40, 150, 5),
)


FEMURS = st.builds(
    Femur,
    st.sampled_from(["left", "right"]),
    neck_path_mm=st.floats(60, 140),
    canal_mm=st.floats(6, 26),
    neck_shaft_deg=st.floats(110, 150),
    head_mm=st.floats(38, 58),
    fracture=st.sampled_from([None, "trochanteric simple", "reverse oblique"]),
    lateral_wall_mm=st.one_of(st.none(), st.floats(0, 60)),
    lateral_wall=st.sampled_from(["broken", "unknown"]),
)


@settings(max_examples=100, deadline=None)
@given(FEMURS, IMPLANTS, st.sets(st.integers(0, 14), min_size=1))
def test_whatever_the_sizes_nothing_is_drawn_where_it_does_not_fit(
    femur: Femur, implants: tuple[Implant, ...], taken: set[int]
) -> None:
    construct = PicturedConstruct("Any", tuple(implants[place] for place in sorted(taken)))
    layout = lay_out(femur, construct)
    bone = layout.bone
    for rod in layout.rods:
        if rod.kind in ("lag screw", "helical blade", "cancellous screw"):
            assert math.dist(rod.tip, bone.head) < bone.head_radius_mm
            assert math.dist(rod.tip, bone.apex) > 0
        if rod.kind in NECK_SCREWS:
            assert not leaves_the_bone(layout, rod)
        sized = [one for one in construct.implants if one.kind == rod.kind]
        if sized and sized[0].length_mm is not None:
            assert rod.length_mm == pytest.approx(sized[0].length_mm)
    if layout.nail is not None:
        assert layout.nail.diameter_mm < femur.canal_mm
    named = {one.implant for one in layout.drawn}
    said = " ".join(layout.not_drawn)
    for implant in construct.implants:
        assert implant in named or implant.name in said or femur.out_of_range
