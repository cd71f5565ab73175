"""A length on a film to a true length, and a true length to the size that is made."""

import math
from itertools import pairwise
from random import Random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.sizing import (
    LengthEstimate,
    SizeBand,
    SizeRule,
    SizingError,
    View,
    break_points,
    chosen_size,
    followed_size,
    magnification_sd_mm,
    size_distribution,
    tip_apex_distance_mm,
    true_size,
)
from service.core.sizing.rules import FITS, Fit
from tests.core.sizing.size_cases import (
    ANTIROTATION,
    BARREL,
    LAG,
    plainly_chosen,
    quarters,
    rules,
    sizes_made,
)

NAN, INF = math.nan, math.inf


@given(quarters, rules, sizes_made)
def test_the_size_chosen_is_what_comparing_every_size_gives(
    dimension_mm: float, rule: SizeRule, sizes: list[float]
) -> None:
    expected = plainly_chosen(dimension_mm, rule.offset_mm, rule.fit, rule.step_mm, sizes)
    assert chosen_size(dimension_mm, rule, sizes) == expected


@given(quarters, rules, sizes_made, st.randoms(use_true_random=False))
def test_the_order_of_the_sizes_does_not_matter(
    dimension_mm: float, rule: SizeRule, sizes: list[float], random: Random
) -> None:
    shuffled = [*sizes, sizes[0]]
    random.shuffle(shuffled)
    assert chosen_size(dimension_mm, rule, shuffled) == chosen_size(dimension_mm, rule, sizes)
    assert break_points(rule, shuffled) == break_points(rule, sizes)


@given(rules, sizes_made)
def test_between_break_points_the_size_is_the_one_stated(
    rule: SizeRule, sizes: list[float]
) -> None:
    cells = break_points(rule, sizes)
    bounds = [bound for bound, _ in cells]
    assert bounds == sorted(bounds)
    assert bounds[-1] == INF
    assert all(left[1] != right[1] for left, right in pairwise(cells))
    low = min(sizes) - 500
    for bound, size in cells:
        high = min(bound, max(sizes) + 500)
        for share in (0.01, 0.5, 0.99):
            place = low + (high - low) * share
            assert chosen_size(place, rule, sizes) == size
            assert plainly_chosen(place, rule.offset_mm, rule.fit, rule.step_mm, sizes) == size
        low = high


def test_a_tie_takes_the_smaller_size() -> None:
    assert chosen_size(97.5, LAG, [85, 90, 95]) == 90
    assert chosen_size(92.5, SizeRule(), [90, 95]) == 90


@pytest.mark.parametrize("fit", [fit for fit in FITS if fit != "passes"])
def test_one_step_beyond_the_range_takes_the_end_and_more_is_not_made(fit: Fit) -> None:
    rule = SizeRule(fit=fit)
    sizes = [80, 82, 90, 95]
    assert chosen_size(78, rule, sizes) == 80
    assert chosen_size(77.99, rule, sizes) is None
    assert chosen_size(100, rule, sizes) == 95
    assert chosen_size(100.01, rule, sizes) is None


def test_at_most_and_at_least_take_a_size_that_fits_exactly() -> None:
    assert chosen_size(90, SizeRule(fit="at_most"), [85, 90, 95]) == 90
    assert chosen_size(90, SizeRule(fit="at_least"), [85, 90, 95]) == 90
    assert chosen_size(94.9, SizeRule(fit="at_most"), [85, 90, 95]) == 90
    assert chosen_size(90.1, SizeRule(fit="at_least"), [85, 90, 95]) == 95


def test_a_single_size_without_a_step_is_refused_and_with_one_is_chosen() -> None:
    with pytest.raises(SizingError) as refused:
        chosen_size(90, SizeRule(), [90])
    assert refused.value.pointer == "/step_mm"
    assert chosen_size(94, SizeRule(step_mm=5), [90]) == 90
    assert chosen_size(96, SizeRule(step_mm=5), [90]) is None
    assert break_points(SizeRule(step_mm=5), [90]) == ((85.0, None), (95.0, 90.0), (INF, None))


def test_where_nothing_is_made_nothing_is_chosen() -> None:
    assert chosen_size(90, SizeRule(), []) is None
    assert break_points(SizeRule(), []) == ((INF, None),)
    assert size_distribution(LengthEstimate(90, 5, calibrated=True), SizeRule(), []) == (
        (None, 1.0),
    )


def test_the_barrel_is_short_up_to_80_mm_and_a_barrel_not_made_is_none() -> None:
    # Textbook: the short barrel goes with a lag screw of 80 mm or less.
    assert followed_size(80, BARREL, [25, 38]) == 25
    assert followed_size(80.1, BARREL, [25, 38]) == 38
    assert followed_size(85, BARREL, [25]) is None
    assert chosen_size(150, SizeRule(bands=(SizeBand(100, 25),)), [25]) is None


def test_the_antirotation_screw_is_10_to_20_mm_shorter_or_not_made() -> None:
    # Common practice, no source.
    assert followed_size(95, ANTIROTATION, [75, 80, 85]) == 80
    assert followed_size(95, ANTIROTATION, [85, 95]) == 85
    assert followed_size(95, ANTIROTATION, [90, 100]) is None
    assert followed_size(None, ANTIROTATION, [75, 80, 85]) is None


@pytest.mark.parametrize(
    ("make", "pointer"),
    [
        (lambda: SizeRule(offset_mm=NAN), "/offset_mm"),
        (lambda: SizeRule(fit="loosely"), "/fit"),  # type: ignore[arg-type] # a wrong word
        (lambda: SizeRule(step_mm=0), "/step_mm"),
        (lambda: SizeRule(within_mm=-1), "/within_mm"),
        (lambda: SizeRule(bands=(SizeBand(80, 25), SizeBand(70, 38))), "/bands/1/up_to_mm"),
        (lambda: SizeRule(bands=(SizeBand(None, 25), SizeBand(None, 38))), "/bands/1/up_to_mm"),
        (lambda: chosen_size(NAN, SizeRule(), [1, 2]), "/dimension_mm"),
        (lambda: chosen_size(1, SizeRule(), [1, 0]), "/sizes_made"),
        (lambda: chosen_size(1, SizeRule(), [1, INF]), "/sizes_made"),
        (lambda: LengthEstimate(NAN, 1, calibrated=True), "/mean_mm"),
        (lambda: LengthEstimate(90, -1, calibrated=True), "/sd_mm"),
    ],
)
def test_an_unusable_rule_or_size_is_refused_where_it_stands(make: object, pointer: str) -> None:
    with pytest.raises(SizingError) as refused:
        make()  # type: ignore[operator] # a lambda of the table above
    assert refused.value.pointer == pointer


def test_without_a_marker_the_assumed_magnification_and_a_wider_spread_are_used() -> None:
    known = true_size(114, marker_true_mm=25, marker_film_mm=30, sd_mm=4.5, uncalibrated_sd_mm=3)
    guess = true_size(114, marker_true_mm=25, marker_film_mm=None, sd_mm=4.5, uncalibrated_sd_mm=3)
    assert guess.mean_mm == known.mean_mm == 95.0
    assert not guess.calibrated
    assert guess.sd_mm == pytest.approx((4.5**2 + 3**2) ** 0.5)
    assert known.sd_mm == 4.5


def test_the_spread_from_an_unknown_magnification_is_what_drawing_it_gives() -> None:
    drawn = 114 / np.random.default_rng(5).normal(1.2, 0.04, 400_000)
    stated = magnification_sd_mm(114, assumed_magnification=1.2, magnification_sd=0.04)
    assert stated == pytest.approx(float(drawn.std()), rel=0.01)


@pytest.mark.parametrize("bad", [0.0, -1.0, NAN, INF, -INF, 1000.1])
@pytest.mark.parametrize("field", ["film_mm", "marker_film_mm", "marker_true_mm"])
def test_a_length_that_cannot_be_is_refused_by_name(field: str, bad: float) -> None:
    given_mm = {"film_mm": 114.0, "marker_true_mm": 25.0, "marker_film_mm": 30.0, field: bad}
    with pytest.raises(SizingError) as refused:
        true_size(
            given_mm["film_mm"],
            marker_true_mm=given_mm["marker_true_mm"],
            marker_film_mm=given_mm["marker_film_mm"],
            sd_mm=4.5,
            uncalibrated_sd_mm=3,
        )
    assert refused.value.pointer == f"/{field}"


def test_a_marker_in_the_wrong_unit_is_refused_by_the_length_it_gives() -> None:
    with pytest.raises(SizingError) as refused:
        true_size(114, marker_true_mm=25, marker_film_mm=0.3, sd_mm=4.5, uncalibrated_sd_mm=3)
    assert refused.value.pointer == "/marker_film_mm"


def test_a_magnification_of_zero_or_a_negative_spread_is_refused() -> None:
    for field, wrong in (("assumed_magnification", 0.0), ("sd_mm", -1.0)):
        facts = {"sd_mm": 4.5, "assumed_magnification": 1.2, field: wrong}
        with pytest.raises(SizingError) as refused:
            true_size(
                114,
                marker_true_mm=25,
                marker_film_mm=None,
                sd_mm=facts["sd_mm"],
                assumed_magnification=facts["assumed_magnification"],
                uncalibrated_sd_mm=3,
            )
        assert refused.value.pointer == f"/{field}"


def test_the_tip_apex_distance_needs_two_views_and_a_screw_that_shows() -> None:
    view = View(10, 10, 12)
    with pytest.raises(SizingError, match="two views"):
        tip_apex_distance_mm([view])
    with pytest.raises(SizingError, match="two views"):
        tip_apex_distance_mm([view, view, view])
    with pytest.raises(SizingError) as refused:
        tip_apex_distance_mm([view, View(10, 10, 0)])
    assert refused.value.pointer == "/views/1/screw_film_mm"
    with pytest.raises(SizingError):
        tip_apex_distance_mm([View(-1, 10, 12), view])
    assert tip_apex_distance_mm([View(0, 10, 12), View(0, 10, 12)]) == 0


#: Diameters of nails as a set of them is made.
NAILS = (9.0, 10.0, 11.0, 12.0, 13.0)


def test_a_wide_canal_takes_the_thickest_nail_and_only_a_narrow_one_takes_none() -> None:
    """The canal is an upper bound: a thinner nail in a wide canal is daily practice, no source."""
    rule = SizeRule(offset_mm=-1, fit="passes", step_mm=2)
    assert chosen_size(18, rule, NAILS) == 13
    assert chosen_size(40, rule, NAILS) == 13
    assert chosen_size(12, rule, NAILS) == 11
    # The thinnest nail passes a canal of 8 mm that is reamed to 10.
    assert chosen_size(8, rule, NAILS) == 9
    assert chosen_size(7.9, rule, NAILS) is None


def test_a_canal_nobody_measured_is_planned_with_the_nail_its_mean_calls_for() -> None:
    """Canal 12 mm, 1 mm reamed over: 11; more than half of a wide spread falls on other nails."""
    rule = SizeRule(offset_mm=-1, fit="passes", step_mm=2)
    likely = dict(size_distribution(LengthEstimate(12, 2, calibrated=False), rule, NAILS))
    assert chosen_size(12, rule, NAILS) == 11
    # Phi((12 - 10) / 2) at the upper end, where the spread has no end; tables of the normal.
    assert likely[13.0] == pytest.approx(1 - 0.841345, abs=1e-6)
    assert sum(likely.values()) == pytest.approx(1)
