"""Sizing against values from outside; the source of each stands beside it in sizing_values.json."""

import json
import math
import tomllib
from pathlib import Path
from statistics import NormalDist
from typing import Any

import pytest
from scipy.stats import norm

from service.core.sizing import (
    LengthEstimate,
    SizeRule,
    View,
    chosen_size,
    cover_probability,
    defaults_from,
    size_distribution,
    sizes_to_bring,
    tip_apex_distance_mm,
    true_size,
)

HERE = Path(__file__).parent


VALUES: dict[str, Any] = json.loads((HERE / "sizing_values.json").read_text(encoding="utf-8"))


DEFAULTS = defaults_from(
    tomllib.loads((HERE.parents[1] / "seed_data" / "sizing.toml").read_text(encoding="utf-8"))
)


def source(row: dict[str, Any]) -> str:
    return str(row["source"])


@pytest.mark.parametrize("row", VALUES["tip_apex"], ids=source)
def test_the_tip_apex_distance_is_the_published_sum_over_two_views(row: dict[str, Any]) -> None:
    views = [View(view["tip"], view["true"], view["film"]) for view in row["views"]]
    assert tip_apex_distance_mm(views) == pytest.approx(row["distance_mm"], abs=0.005)


@pytest.mark.parametrize("row", VALUES["scaling"], ids=source)
def test_a_marker_scales_the_film_to_the_true_length(row: dict[str, Any]) -> None:
    estimate = true_size(
        row["film"],
        marker_true_mm=row["marker_true"],
        marker_film_mm=row["marker_film"],
        sd_mm=4.5,
        uncalibrated_sd_mm=3.0,
    )
    assert estimate.mean_mm == pytest.approx(row["true_mm"], rel=1e-12)
    assert estimate.calibrated


def test_the_assumed_magnification_is_the_published_mean_rounded() -> None:
    published = VALUES["magnification"]
    assumed = DEFAULTS["assumed_magnification"].value
    assert assumed == pytest.approx(published["mean"], abs=0.005)
    assert published["smallest"] < assumed < published["largest"]


def test_the_published_range_of_magnification_lies_within_two_assumed_sds() -> None:
    published = VALUES["magnification"]
    mean, sd = (
        DEFAULTS[key].value for key in ("assumed_magnification", "uncalibrated_magnification_sd")
    )
    assert mean - 2 * sd <= published["smallest"]
    assert published["largest"] <= mean + 2 * sd


@pytest.mark.parametrize("row", VALUES["cover"], ids=source)
def test_sizes_either_side_cover_what_the_normal_distribution_says(row: dict[str, Any]) -> None:
    sizes = [70 + row["step"] * place for place in range(11)]
    likely = size_distribution(LengthEstimate(95.0, row["sd"], calibrated=True), SizeRule(), sizes)
    planned = chosen_size(95.0, SizeRule(), sizes)
    assert planned == 95.0
    found = cover_probability(likely, sizes_to_bring(planned, sizes, row["either_side"]))
    reach = row["step"] * (row["either_side"] + 0.5)
    assert found == pytest.approx(row["probability"], abs=5e-5)
    assert found == pytest.approx(math.erf(reach / row["sd"] / math.sqrt(2)), abs=1e-12)
    assert found == pytest.approx(2 * norm.cdf(reach, scale=row["sd"]) - 1, abs=1e-12)
    assert found == pytest.approx(2 * NormalDist(0, row["sd"]).cdf(reach) - 1, abs=1e-12)


@pytest.mark.parametrize("row", VALUES["defaults"], ids=source)
def test_a_default_is_the_published_figure(row: dict[str, Any]) -> None:
    assert DEFAULTS[row["key"]].value == row["value"]


def test_every_default_says_where_it_comes_from() -> None:
    words = ("assumption", "common practice", "textbook", "Brew", "Hsu", "Baumgaertner", "PMC")
    for default in DEFAULTS.values():
        assert any(word in default.source for word in words), default
