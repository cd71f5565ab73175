"""What is known of a femur before the operation, against figures worked by hand."""

import math
import statistics

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.sizing import SizingError
from service.core.sizing.film import Dimension, Measurements, estimate_dimensions
from tests.core.planner_catalogue import VALUES


def known(sex: str = "F", /, **measured: float) -> dict[str, Dimension]:
    return dict(estimate_dimensions(Measurements(**measured), sex, VALUES))


def test_a_film_with_a_marker_is_scaled_by_it() -> None:
    # 114 × 25 / 30 = 95 mm; the marker is 25 mm unless someone says otherwise.
    neck = known(neck_film_mm=114, marker_film_mm=30)["neck"]
    assert neck.estimate.mean_mm == pytest.approx(95)
    assert neck.estimate.sd_mm == pytest.approx(4.5)
    assert (neck.estimate.calibrated, neck.sizes_either_side) == (True, 1)
    assert neck.basis == "114 mm on the film, scaled by the 25 mm marker"
    # 114 × 30 / 36 = 95 mm with another marker.
    other = known(neck_film_mm=114, marker_film_mm=36, marker_true_mm=30)["neck"]
    assert other.estimate.mean_mm == pytest.approx(95)
    assert other.basis.endswith("scaled by the 30 mm marker")


def test_a_film_without_a_marker_is_wider_and_asks_for_two_sizes_either_side() -> None:
    # 114 / 1.2 = 95 mm; a magnification off by its SD, 0.04, moves that by 95 × 0.04 / 1.2 mm.
    neck = known(neck_film_mm=114)["neck"]
    assert neck.estimate.mean_mm == pytest.approx(95)
    assert neck.estimate.sd_mm == pytest.approx(math.hypot(4.5, 95 * 0.04 / 1.2))
    assert (neck.estimate.calibrated, neck.sizes_either_side) == (False, 2)
    assert neck.basis == "114 mm on a film without a marker, magnification assumed 1.2"


def test_what_was_not_measured_says_so_and_is_never_calibrated() -> None:
    found = known("M")
    assert found["neck"].estimate.mean_mm == 102
    assert found["femur"].estimate.mean_mm == 400
    assert found["canal"].estimate.mean_mm == 12
    for name in ("neck", "canal", "femur"):
        assert not found[name].estimate.calibrated
        assert found[name].sizes_either_side == 2
        assert found[name].basis.startswith("not measured; assumed")
    assert found["neck"].basis == "not measured; assumed for sex M"


def test_the_sex_changes_what_is_assumed_and_nothing_that_was_measured() -> None:
    assert known("F")["neck"].estimate.mean_mm == 93
    assert known("F")["femur"].estimate.mean_mm == 370
    measured = {"neck_film_mm": 114.0, "nail_length_mm": 350.0, "marker_film_mm": 30.0}
    assert known("F", **measured) == known("M", **measured) == known("unknown", **measured)


def test_a_nail_length_from_the_patient_is_taken_as_it_is() -> None:
    femur = known(nail_length_mm=352)["femur"]
    assert (femur.estimate.mean_mm, femur.estimate.sd_mm, femur.sizes_either_side) == (352, 15, 1)
    assert femur.basis == "nail length measured on the patient"


@pytest.mark.parametrize("name", ["distal", "shaft"])
def test_what_the_depth_gauge_will_measure_is_assumed_with_one_size_either_side(name: str) -> None:
    one = known(neck_film_mm=114)[name]
    assert (one.estimate.mean_mm, one.estimate.sd_mm, one.sizes_either_side) == (38, 5, 1)
    assert one.basis == "not measured before the operation; assumed"


def test_an_unknown_sex_has_the_moments_of_women_and_men_in_equal_parts() -> None:
    """Against draws: half from N(93, 6), half from N(102, 7); seeded, one million of each."""
    random = np.random.default_rng(2031)
    draws = np.concatenate([random.normal(93, 6, 1_000_000), random.normal(102, 7, 1_000_000)])
    neck = known("unknown")["neck"]
    # Standard errors: about 0.006 mm for the mean and 0.004 mm for the SD; five of them allowed.
    assert neck.estimate.mean_mm == pytest.approx(float(draws.mean()), abs=0.03)
    assert neck.estimate.sd_mm == pytest.approx(float(draws.std()), abs=0.02)
    assert (
        neck.basis
        == "not measured; assumed between the values for women and men, as the sex is unknown"
    )


lengths = st.floats(60, 500)


@given(lengths, lengths, st.floats(0.5, 20), st.floats(0.5, 20))
def test_a_mixture_of_two_pairs_of_points_has_the_same_moments(
    women: float, men: float, sd_women: float, sd_men: float
) -> None:
    """Two points at mean ± SD have that mean and SD, so four points make the mixture."""
    points = [women - sd_women, women + sd_women, men - sd_men, men + sd_men]
    values = VALUES | {
        "neck_path_without_film_f_mm": women,
        "neck_path_without_film_f_sd_mm": sd_women,
        "neck_path_without_film_m_mm": men,
        "neck_path_without_film_m_sd_mm": sd_men,
    }
    neck = estimate_dimensions(Measurements(), "unknown", values)["neck"].estimate
    assert neck.mean_mm == pytest.approx(statistics.fmean(points))
    assert neck.sd_mm == pytest.approx(statistics.pstdev(points))


def test_an_unknown_sex_is_never_surer_than_a_known_one() -> None:
    spread = known("unknown")["neck"].estimate.sd_mm
    assert spread > max(known(sex)["neck"].estimate.sd_mm for sex in ("F", "M"))


@pytest.mark.parametrize(
    "measured",
    [{"neck_film_mm": -1.0}, {"canal_film_mm": math.nan}, {"nail_length_mm": math.inf}],
)
def test_a_length_that_is_none_is_refused(measured: dict[str, float]) -> None:
    with pytest.raises(SizingError):
        known("F", **measured)
