"""Rates and size curves against definitions and reference libraries."""

import math
from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from service.core.demand.rates import (
    GammaRate,
    ItemUsage,
    days_in_stock,
    family_prior,
    item_rates,
    posterior_rate,
)
from service.core.demand.size_shares import neighbour_prior, size_curve


# Source: Bayes' rule by numerical integration (scipy.integrate.quad).
def test_the_updated_mean_is_what_bayes_rule_gives() -> None:
    prior = stats.gamma(2.0, scale=1 / 50.0)

    def weighed(rate: float, power: int) -> float:
        return float(rate**power * prior.pdf(rate) * stats.poisson.pmf(7, rate * 120.0))

    above, _ = integrate.quad(lambda rate: weighed(rate, 1), 0.0, 1.0, epsabs=1e-14, limit=200)
    below, _ = integrate.quad(lambda rate: weighed(rate, 0), 0.0, 1.0, epsabs=1e-14, limit=200)
    known = posterior_rate(GammaRate(2.0, 50.0), 7, 120.0)
    assert known.mean_per_day == pytest.approx(above / below, rel=1e-6)


@pytest.mark.parametrize(("count", "days"), [(-1, 10.0), (1, -10.0), (1, 0.0)])
def test_uses_in_no_time_and_negative_numbers_are_refused(count: int, days: float) -> None:
    with pytest.raises(ValueError, match=r"not negative|no time"):
        posterior_rate(GammaRate(1.0, 1.0), count, days)


# Source: simulation of families with known true rates; the moments must be found again.
def test_a_family_prior_finds_the_spread_the_rates_were_drawn_from() -> None:
    rng = np.random.default_rng(11)
    rates = rng.gamma(4.0, 1 / 200.0, 4000)
    days = rng.uniform(200, 2000, 4000)
    prior = family_prior(rng.poisson(rates * days).tolist(), days.tolist())
    assert prior is not None
    assert prior.mean_per_day == pytest.approx(0.02, rel=0.03)
    assert prior.shape == pytest.approx(4.0, rel=0.1)


# Source: simulation. Shrunk rates must be nearer the truth than raw ones, or there is no point.
def test_leaning_on_the_family_comes_nearer_the_true_rates_than_counting_alone() -> None:
    rng = np.random.default_rng(12)
    rates = rng.gamma(3.0, 1 / 300.0, 300)
    counts = rng.poisson(rates * 150.0)
    usage = [ItemUsage(f"i{n}", "lag", int(uses), 150.0) for n, uses in enumerate(counts)]
    leaning = np.array([rate.mean_per_day for rate in item_rates(usage)], dtype=float)
    raw_error = np.mean((counts / 150.0 - rates) ** 2)
    assert np.mean((leaning - rates) ** 2) < 0.6 * raw_error


# Source: simulation; 90 % intervals of 2000 items, band of four standard errors and the prior's
# own uncertainty.
def test_intervals_hold_as_often_as_they_say() -> None:
    rng = np.random.default_rng(13)
    rates = rng.gamma(3.0, 1 / 300.0, 2000)
    counts = rng.poisson(rates * 400.0)
    usage = [ItemUsage(f"i{n}", "lag", int(uses), 400.0) for n, uses in enumerate(counts)]
    held = [
        known.lower_per_day is not None
        and known.upper_per_day is not None
        and known.lower_per_day <= rate <= known.upper_per_day
        for known, rate in zip(item_rates(usage, 0.9), rates, strict=True)
    ]
    assert np.mean(held) == pytest.approx(0.9, abs=4 * math.sqrt(0.09 / 2000) + 0.01)


def test_a_family_with_no_more_spread_than_chance_counts_as_one() -> None:
    prior = family_prior([5, 5, 5], [100.0, 100.0, 100.0])
    assert prior == GammaRate(15.0, 300.0)


def test_a_family_never_used_has_half_a_use_in_all_its_days() -> None:
    assert family_prior([0, 0], [100.0, 300.0]) == GammaRate(0.5, 400.0)


def test_one_item_alone_shows_no_spread() -> None:
    assert family_prior([5, 0], [100.0, 0.0]) is None


def test_days_out_of_stock_are_not_read_as_no_demand() -> None:
    family = [ItemUsage(f"other-{n}", "lag", 10, 365.0) for n in range(3)]
    watched_half = ItemUsage("lag-90", "lag", 10, 180.0)
    read_as_no_demand = ItemUsage("lag-90", "lag", 10, 365.0)
    true, low = (
        item_rates([*family, seen])[-1].mean_per_day for seen in (watched_half, read_as_no_demand)
    )
    assert true is not None
    assert low is not None
    assert true > low


def test_a_new_item_starts_from_its_family_and_not_from_another() -> None:
    usage = [
        ItemUsage("lag-90", "lag", 40, 100.0),
        ItemUsage("lag-95", "lag", 60, 100.0),
        ItemUsage("nail-10", "nail", 1, 100.0),
        ItemUsage("nail-11", "nail", 3, 100.0),
        ItemUsage("lag-100", "lag", 0, 0.0),
        ItemUsage("wire", "wire", 0, 0.0),
    ]
    rates = {rate.item: rate.mean_per_day for rate in item_rates(usage)}
    assert rates["lag-100"] == pytest.approx(0.5)
    assert rates["wire"] == pytest.approx(104 / 400)


def test_where_nothing_is_known_the_rate_is_unknown() -> None:
    (rate,) = item_rates([ItemUsage("lag-90", "lag", 0, 0.0)])
    assert rate.mean_per_day is None
    assert rate.lower_per_day is None
    assert rate.upper_per_day is None


def test_the_only_item_ever_watched_leans_on_half_a_use() -> None:
    (rate,) = item_rates([ItemUsage("lag-90", "lag", 3, 70.0)])
    assert rate.mean_per_day == pytest.approx(3.5 / 70.0)


# Source: counting the days one by one.
@given(
    periods=st.lists(
        st.tuples(st.integers(-20, 60), st.integers(0, 25)).map(lambda p: (p[0], p[0] + p[1])),
        max_size=5,
    )
)
def test_days_in_stock_are_the_days_in_none_of_the_gaps(periods: list[tuple[int, int]]) -> None:
    start = date(2031, 3, 1).toordinal()
    gaps = [(date.fromordinal(start + a), date.fromordinal(start + b)) for a, b in periods]
    counted = sum(not any(a <= day <= b for a, b in periods) for day in range(31))
    assert days_in_stock(date(2031, 3, 1), date(2031, 3, 31), gaps) == counted


def test_a_gap_that_ends_before_it_begins_is_refused() -> None:
    with pytest.raises(ValueError, match="before it begins"):
        days_in_stock(date(2031, 3, 1), date(2031, 3, 31), [(date(2031, 3, 9), date(2031, 3, 8))])


# Source: by hand. exp(-1/2) of each neighbour, none of its own; a tenth spread evenly.
def test_a_size_leans_on_its_neighbours_and_not_on_itself() -> None:
    prior = neighbour_prior([90, 95], [10, 0], bandwidth_mm=5.0, concentration=2.0)
    assert prior.tolist() == pytest.approx([2 * 0.05, 2 * (0.9 + 0.05)])


def test_without_any_use_all_sizes_are_alike() -> None:
    shares = size_curve([90, 95, 100], [0, 0, 0], bandwidth_mm=5.0, concentration=2.0)
    assert [share.share for share in shares] == pytest.approx([1 / 3] * 3)


# Source: scipy.stats.beta, the distribution of one share of a Dirichlet.
def test_a_size_curve_sums_to_one_and_its_intervals_are_those_of_the_beta() -> None:
    counts = [1, 9, 20, 0, 4]
    sizes = [80, 85, 90, 95, 100]
    prior = neighbour_prior(sizes, counts, bandwidth_mm=5.0, concentration=8.0)
    curve = size_curve(sizes, counts, bandwidth_mm=5.0, concentration=8.0, coverage=0.8)
    assert math.fsum(share.share for share in curve) == pytest.approx(1.0)
    for share, weight, count in zip(curve, prior, counts, strict=True):
        held = stats.beta(weight + count, 34 + 8 - weight - count)
        assert share.share == pytest.approx(float(held.mean()))
        assert float(held.cdf(share.lower)) == pytest.approx(0.1, abs=1e-6)
        assert float(held.cdf(share.upper)) == pytest.approx(0.9, abs=1e-6)


def test_the_only_size_made_has_all_of_the_share() -> None:
    (share,) = size_curve([90], [3], bandwidth_mm=5.0, concentration=1.0)
    assert (share.share, share.lower, share.upper) == (1.0, 1.0, 1.0)


# Source: simulation of a smooth curve; the gap of a size nobody needed yet is filled.
def test_smoothing_comes_nearer_a_smooth_truth_than_counting_alone() -> None:
    rng = np.random.default_rng(14)
    sizes = np.arange(70, 121, 5)
    truth = stats.norm.pdf(sizes, 95, 10) / stats.norm.pdf(sizes, 95, 10).sum()
    raw, smooth = 0.0, 0.0
    for counts in rng.multinomial(30, truth, 300):
        curve = size_curve(sizes.tolist(), counts.tolist(), bandwidth_mm=6.0, concentration=30.0)
        raw += float(np.sum((counts / 30 - truth) ** 2))
        smooth += float(np.sum(([share.share for share in curve] - truth) ** 2))
    assert smooth < 0.75 * raw


@pytest.mark.parametrize(
    ("sizes", "counts", "bandwidth"),
    [([], [], 5.0), ([90], [1, 2], 5.0), ([90], [-1], 5.0), ([90], [1], 0.0)],
)
def test_a_size_curve_of_nothing_or_of_nonsense_is_refused(
    sizes: list[float], counts: list[int], bandwidth: float
) -> None:
    with pytest.raises(ValueError, match="must be"):
        size_curve(sizes, counts, bandwidth_mm=bandwidth, concentration=1.0)
