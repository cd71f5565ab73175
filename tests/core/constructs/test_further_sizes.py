"""Sizes listed on top of the trade's rule, so that the size needed is probably among them."""

from itertools import product
from statistics import NormalDist

import pytest

from service.core.catalogue import ItemFacts
from service.core.constructs.kit_lines import IN_ROOM, KitLine
from service.core.constructs.templates import Role, RoleSize
from service.core.sizing import SizeRule
from service.core.sizing.film import Measurements
from tests.core.constructs.worked_roles import (
    CALIBRATED,
    LAG,
    NAIL,
    PLATE,
    PLATES,
    lines_of,
    screws,
)
from tests.core.planner_catalogue import VALUES, lag_screws

PHI = NormalDist().cdf

LONG = Role(
    "nail",
    ("single_lag_screw_nail",),
    sizes=(NAIL.sizes[0], RoleSize("length_mm", "femur", None, SizeRule(step_mm=20))),
)

NAILS = [
    ItemFacts(f"N-{wide}-{long}", "single_lag_screw_nail", diameter_mm=wide, length_mm=long)
    for wide, long in product(range(9, 15), range(300, 440, 20))
]

LAGS = lag_screws(*range(70, 125, 5))


def _with(target: float, most: int = 8) -> dict[str, float]:
    return VALUES | {"sizes_listed_probability": target, "sizes_added_at_most": most}


def _nail_probability(lines: tuple[KitLine, ...]) -> float:
    """Sum the boxes of the nails listed: canal 12.4 mm, SD 1; femur 364 mm, SD 15."""
    total = 0.0
    for wide, long in (line.sizes for line in lines):
        # The nail is at most the canal less 1 mm, and the length nearest to the femur's.
        across = PHI(wide + 2 - 12.4) - PHI(wide + 1 - 12.4)
        along = PHI((long + 10 - 364) / 15) - PHI((long - 10 - 364) / 15)
        total += across * along
    return total


FEMUR = Measurements(neck_film_mm=114, canal_film_mm=14.88, marker_film_mm=30, nail_length_mm=364)


def test_without_a_target_the_trades_rule_is_a_cross_of_five_nails() -> None:
    lines = lines_of(LONG, catalogue=NAILS, measured=FEMUR, values=_with(0))
    assert [line.sizes for line in lines] == [
        (11, 360),
        (10, 360),
        (12, 360),
        (11, 340),
        (11, 380),
    ]
    assert not any(line.is_further for line in lines)
    assert _nail_probability(lines) < 0.7


def test_the_fewest_nails_that_reach_the_target_are_listed_on_top_of_the_cross() -> None:
    lines = lines_of(LONG, catalogue=NAILS, measured=FEMUR, values=_with(0.85))
    further = [line for line in lines if line.is_further]
    assert _nail_probability(lines) >= 0.85
    least = tuple(line for line in lines if not line.is_further)
    # One box each: the most probable first are the fewest; without the last it is not reached.
    worth = sorted(_nail_probability((line,)) for line in further)
    assert _nail_probability(least) + sum(worth[1:]) < 0.85
    listed = {line.sizes for line in lines}
    left = [
        _nail_probability((line,))
        for line in lines_of(LONG, catalogue=NAILS, measured=FEMUR, values=_with(1, 99))
        if line.sizes not in listed
    ]
    assert max(left) <= worth[0]
    assert {line.place for line in further} == {IN_ROOM}


def test_a_nail_that_differs_in_both_sizes_says_so() -> None:
    lines = lines_of(LONG, catalogue=NAILS, measured=FEMUR, values=_with(0.85))
    whys = {line.sizes: line.why for line in lines}
    assert whys[12.0, 380.0] == "one size thicker, one size longer"
    assert whys[10.0, 380.0] == "one size thinner, one size longer"


def test_no_more_are_added_than_the_department_allows() -> None:
    lines = lines_of(LONG, catalogue=NAILS, measured=FEMUR, values=_with(0.999, 3))
    assert sum(line.is_further for line in lines) == 3


def test_only_what_is_made_is_added() -> None:
    made = [item for item in NAILS if (item.diameter_mm, item.length_mm) != (12, 380)]
    lines = lines_of(LONG, catalogue=made, measured=FEMUR, values=_with(0.9))
    assert (12.0, 380.0) not in {line.sizes for line in lines}
    assert all(line.refs for line in lines)


def test_a_shorter_lag_screw_brings_the_plate_with_its_barrel() -> None:
    # 108 mm on the film is 90 mm: the lag screw is 85 mm, and one shorter is 80 mm, which takes
    # the short barrel (textbook).
    film = Measurements(neck_film_mm=108, marker_film_mm=30)
    lines = lines_of(LAG, PLATE, catalogue=[*LAGS, *PLATES], measured=film, values=_with(0.9))
    plates = [(line.sizes, line.why, line.is_further) for line in lines if line.role == PLATE.role]
    assert plates == [
        ((38.0,), "nominal", False),
        ((25.0,), "to match a different lag screw", True),
    ]


def test_a_barrel_that_no_probable_lag_screw_takes_is_left_on_its_shelf() -> None:
    film = Measurements(neck_film_mm=138, marker_film_mm=30)
    lines = lines_of(LAG, PLATE, catalogue=[*LAGS, *PLATES], measured=film, values=_with(0.9))
    assert [line.sizes for line in lines if line.role == PLATE.role] == [(38.0,)]


def test_a_screw_whose_length_is_only_assumed_is_listed_far_and_wide() -> None:
    cortical = Role(
        "cortical screw",
        ("cortical_screw",),
        sizes=(RoleSize("length_mm", "shaft", None, SizeRule(fit="at_least", step_mm=2)),),
    )
    catalogue = screws("cortical_screw", *range(26, 62, 2))
    lines = lines_of(cortical, catalogue=catalogue, measured=CALIBRATED, values=_with(0.9))
    reach = sorted(size for (size,) in (line.sizes for line in lines))
    # Mean 38, SD 5; a screw serves what is up to 2 mm shorter than it.
    assert PHI((reach[-1] - 38) / 5) - PHI((reach[0] - 2 - 38) / 5) >= 0.9
    assert reach == [float(size) for size in range(int(reach[0]), int(reach[-1]) + 2, 2)]


@pytest.mark.parametrize("target", [0.0, 0.9, 0.99])
def test_the_sizes_of_the_trades_rule_are_listed_whatever_the_target(target: float) -> None:
    lines = lines_of(LAG, catalogue=LAGS, measured=CALIBRATED, values=_with(target))
    assert {(85.0,), (90.0,), (95.0,)} <= {line.sizes for line in lines}
