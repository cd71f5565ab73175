"""Rates of use from counts: gamma–Poisson shrinkage towards what a family of items shows."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy import stats

__all__ = ["JEFFREYS_SHAPE", "GammaRate", "family_prior", "updated"]

JEFFREYS_SHAPE = 0.5
"""Half a use in no time: the prior of a Poisson rate that says least."""


@dataclass(frozen=True, slots=True)
class GammaRate:
    """A rate of use known as a gamma distribution.

    Parameters
    ----------
    shape
        As many uses as it is worth, above 0.
    exposure_days
        As many days of watching as it is worth, above 0.
    """

    shape: float
    exposure_days: float

    @property
    def mean_per_day(self) -> float:
        """Mean uses a day."""
        return self.shape / self.exposure_days

    def interval_per_day(self, coverage: float = 0.95) -> tuple[float, float]:
        """Return the equal-tailed interval that holds with the chance `coverage` (0 to 1)."""
        tail = (1.0 - coverage) / 2.0
        low, high = (
            float(stats.gamma.ppf(chance, self.shape, scale=1.0 / self.exposure_days))
            for chance in (tail, 1.0 - tail)
        )
        return low, high


def updated(prior: GammaRate, count: int, exposure_days: float) -> GammaRate:
    """Return what is known of a rate once more uses and days were seen.

    Parameters
    ----------
    prior
        What was known before.
    count
        Uses seen, 0 or more.
    exposure_days
        Days watched while the item was there, 0 or more. Days out of stock do not belong here:
        nothing could be used on them, whatever the demand.

    Returns
    -------
    GammaRate
        Shape and exposure are sums of the prior's and the seen.

    Raises
    ------
    ValueError
        When the count or the exposure is negative, or something was used in no time.

    Notes
    -----
    Source: gamma–Poisson conjugacy, Gelman et al., "Bayesian Data Analysis", sections 2.6 and 2.7.

    Examples
    --------
    >>> updated(GammaRate(20.0, 430_000.0), 1, 10_000.0).mean_per_day
    4.772727272727273e-05
    """
    if count < 0 or exposure_days < 0.0:
        raise ValueError("a count and an exposure are not negative")
    if count and not exposure_days:
        raise ValueError("something was used, so the item was there for more than no time")
    return GammaRate(prior.shape + count, prior.exposure_days + exposure_days)


def family_prior(counts: Sequence[int], exposures_days: Sequence[float]) -> GammaRate | None:
    """Return the prior a family of items gives each of its members: empirical Bayes by moments.

    With rates r = y / e, total exposure E, mean m = Σ y / E, and Q = Σ e (r - m)², the expectation
    of Q is (n - 1) m + v (E - Σ e² / E), v being the variance of the true rates; v is solved from
    it. Shape is m² / v and exposure m / v. The prior is never worth more than all the family's
    own exposure, which is also what is used where the counts vary no more than by chance. Where
    the family used nothing at all, the shape is that of half a use (Jeffreys).

    Parameters
    ----------
    counts
        Uses of each item, 0 or more.
    exposures_days
        Days each item was watched while there, 0 or more; items never watched are left out.

    Returns
    -------
    GammaRate or None
        None where fewer than two items were watched: a spread cannot be seen in one.

    Raises
    ------
    ValueError
        When the lengths differ.

    Notes
    -----
    Source: method of moments as in R. J. Marshall 1991, "Mapping disease and mortality rates using
    empirical Bayes estimators", Applied Statistics 40, 283-294; the expectation above, which is
    without bias, is derived directly from Var(r) = m / e + v.

    Examples
    --------
    >>> prior = family_prior([2, 18], [100.0, 100.0])
    >>> prior.mean_per_day, round(prior.exposure_days, 2)
    (0.1, 8.47)
    """
    watched = [
        (count, days) for count, days in zip(counts, exposures_days, strict=True) if days > 0.0
    ]
    if len(watched) < 2:  # noqa: PLR2004 - a spread needs two
        return None
    exposure = math.fsum(days for _, days in watched)
    uses = sum(count for count, _ in watched)
    if uses == 0:
        return GammaRate(JEFFREYS_SHAPE, exposure)
    mean = uses / exposure
    spread = math.fsum(days * (count / days - mean) ** 2 for count, days in watched)
    free = exposure - math.fsum(days**2 for _, days in watched) / exposure
    variance = (spread - (len(watched) - 1) * mean) / free
    worth = min(exposure, mean / variance) if variance > 0.0 else exposure
    return GammaRate(mean * worth, worth)
