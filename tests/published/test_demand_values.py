"""Rates and size curves against published worked examples."""

import pytest
from scipy import stats

from service.core.demand.rates import GammaRate, posterior_rate


# Source: A. Gelman et al., "Bayesian Data Analysis", 3rd ed., section 2.7 (kidney cancer): prior
# Gamma(20, 430000), a county of 1000 watched for 10 years.
@pytest.mark.parametrize(("deaths", "rate"), [(0, 4.545454e-5), (1, 4.772727e-5)])
def test_a_small_county_is_drawn_to_the_prior_as_in_the_textbook(deaths: int, rate: float) -> None:
    known = posterior_rate(GammaRate(20.0, 430_000.0), deaths, 1000 * 10)
    assert known.mean_per_day == pytest.approx(rate, rel=1e-6)
    low, high = known.interval_per_day(0.9)
    held = stats.gamma(20 + deaths, scale=1 / 440_000)
    assert held.cdf(low) == pytest.approx(0.05)
    assert held.cdf(high) == pytest.approx(0.95)
