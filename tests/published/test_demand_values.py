"""Rates and size curves against published worked examples."""

import numpy as np
import pytest
from scipy import stats

from service.core.croston import croston
from service.core.dirichlet import dirichlet_multinomial_pmf
from service.core.gamma_poisson import GammaRate, updated


# Source: A. Gelman et al., "Bayesian Data Analysis", 3rd ed., section 2.7 (kidney cancer): prior
# Gamma(20, 430000), a county of 1000 watched for 10 years.
@pytest.mark.parametrize(("deaths", "rate"), [(0, 4.545454e-5), (1, 4.772727e-5)])
def test_a_small_county_is_drawn_to_the_prior_as_in_the_textbook(deaths: int, rate: float) -> None:
    known = updated(GammaRate(20.0, 430_000.0), deaths, 1000 * 10)
    assert known.mean_per_day == pytest.approx(rate, rel=1e-6)
    low, high = known.interval_per_day(0.9)
    held = stats.gamma(20 + deaths, scale=1 / 440_000)
    assert held.cdf(low) == pytest.approx(0.05)
    assert held.cdf(high) == pytest.approx(0.95)


# Source: computed by two methods (gamma functions; scipy.stats.dirichlet_multinomial).
def test_the_chance_of_size_counts_is_the_dirichlet_multinomials() -> None:
    chance = dirichlet_multinomial_pmf([2, 3, 4, 1], [1, 0, 3, 0])
    assert chance == pytest.approx(0.0559440559, abs=5e-11)
    by_scipy = stats.dirichlet_multinomial([2, 3, 4, 1], np.array(4)).pmf([1, 0, 3, 0])
    assert chance == pytest.approx(float(by_scipy), rel=1e-10)


# Source: R. J. Hyndman and G. Athanasopoulos, "Forecasting: Principles and Practice", 2nd ed., the
# series productC of the package fpp2, alpha 0.1.
def test_crostons_forecast_of_the_textbook_series() -> None:
    series = [0, 2, 0, 1, 0, 11, 0, 0, 0, 0, 2, 0, 6, 3, 0, 0, 0, 0, 0, 7]
    series += [0, 0, 0, 0, 0, 0, 0, 3, 1, 0, 0, 1, 0, 1, 0, 0]
    forecast = croston(series, alpha=0.1)
    assert forecast is not None
    assert forecast.units_per_period == pytest.approx(0.984597, abs=5e-7)
