"""Rates of use of items from what the ledger shows, each leaning on its family."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from scipy import stats


def days_in_stock(first: date, last: date, out_of_stock: Iterable[tuple[date, date]]) -> int:
    """Return the days on which an item was there, of those watched.

    Parameters
    ----------
    first, last
        The days watched, both included.
    out_of_stock
        Pairs of the first and the last day without stock, both included; they may overlap and
        reach beyond the days watched.

    Returns
    -------
    int
        Days, 0 or more.

    Raises
    ------
    ValueError
        When a period ends before it begins.

    Examples
    --------
    >>> days_in_stock(date(2031, 1, 1), date(2031, 1, 31), [(date(2031, 1, 10), date(2031, 1, 19))])
    21
    """
    periods = sorted(out_of_stock)
    if last < first or any(end < begin for begin, end in periods):
        raise ValueError("a period does not end before it begins")
    begin, end = first.toordinal(), last.toordinal()
    without, reached = 0, begin - 1
    for out, back in periods:
        start = max(out.toordinal(), reached + 1)
        stop = min(back.toordinal(), end)
        without += max(0, stop - start + 1)
        reached = max(reached, stop)
    return end - begin + 1 - without


@dataclass(frozen=True, slots=True)
class ItemUsage:
    """What was seen of one item.

    Parameters
    ----------
    item
        Its name.
    family
        Items used for the same purpose at rates of the same order, such as the lengths of one
        screw; a new item starts from its family.
    uses
        Times it was used, 0 or more.
    days_in_stock
        Days on which it was there to be used, 0 or more.
    """

    item: str
    family: str
    uses: int
    days_in_stock: float


@dataclass(frozen=True, slots=True)
class ItemRate:
    """Uses a day of one item: mean and interval, or None where nothing is known."""

    item: str
    mean_per_day: float | None
    lower_per_day: float | None
    upper_per_day: float | None


def item_rates(usage: Sequence[ItemUsage], coverage: float = 0.95) -> tuple[ItemRate, ...]:
    """Return the rate of each item, drawn towards its family's as far as its own days are few.

    The prior comes from the family (:func:`service.core.demand.rates.family_prior`), or from all
    the items where fewer than two of the family were ever in stock. Days out of stock are not
    exposure, so a stock-out is not read as no demand; this assumes that demand does not depend
    on whether the item is there.

    Parameters
    ----------
    usage
        What was seen, one entry for each item.
    coverage
        Chance that the interval holds, between 0 and 1.

    Returns
    -------
    tuple of ItemRate
        In the order given. An item never in stock has its family's rate; where there is nothing
        to lean on either, its rate is unknown (None). The only item ever watched leans on half a
        use in no time (Jeffreys' prior).

    Raises
    ------
    ValueError
        When an item was used without a day in stock, or a number is negative.

    Examples
    --------
    >>> seen = [ItemUsage("lag-90", "lag", 2, 100.0), ItemUsage("lag-95", "lag", 18, 100.0),
    ...         ItemUsage("lag-100", "lag", 0, 0.0)]
    >>> [round(rate.mean_per_day, 3) for rate in item_rates(seen)]
    [0.026, 0.174, 0.1]
    """
    everything = family_prior([u.uses for u in usage], [u.days_in_stock for u in usage])
    priors = {family: _prior(usage, family) or everything for family in {u.family for u in usage}}
    return tuple(_rate(seen, priors[seen.family], coverage) for seen in usage)


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


def _prior(usage: Sequence[ItemUsage], family: str) -> GammaRate | None:
    members = [seen for seen in usage if seen.family == family]
    return family_prior([m.uses for m in members], [m.days_in_stock for m in members])


def _rate(seen: ItemUsage, prior: GammaRate | None, coverage: float) -> ItemRate:
    if prior is not None:
        known = posterior_rate(prior, seen.uses, seen.days_in_stock)
    elif seen.days_in_stock > 0.0:
        known = GammaRate(JEFFREYS_SHAPE + seen.uses, seen.days_in_stock)
    else:
        return ItemRate(seen.item, None, None, None)
    low, high = known.interval_per_day(coverage)
    return ItemRate(seen.item, known.mean_per_day, low, high)


JEFFREYS_SHAPE = 0.5


"""Half a use in no time: the prior of a Poisson rate that says least."""


def posterior_rate(prior: GammaRate, count: int, exposure_days: float) -> GammaRate:
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
    >>> posterior_rate(GammaRate(20.0, 430_000.0), 1, 10_000.0).mean_per_day
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
