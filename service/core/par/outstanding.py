"""How much of an item is on order: compound Poisson over its lead time."""

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray
from scipy import stats

__all__ = ["expiry_cost", "expiry_costs", "outstanding_cdf", "units_to_cover"]


def outstanding_cdf(
    cases_in_lead_time: float, units_per_case: Mapping[int, float], up_to: int
) -> NDArray[np.float64]:
    """Return the distribution function of the units on order at a moment.

    Under one-for-one reordering the units on order are those taken during the last lead time.
    Cases that take k units form a Poisson stream of their own (a Poisson stream thinned by an
    independent mark splits into independent Poisson streams), so the units on order are
    the sum over k of k times a Poisson number with mean `cases_in_lead_time` × P(k).

    Parameters
    ----------
    cases_in_lead_time
        Mean number of cases in one lead time, 0 or more.
    units_per_case
        Chance that a case takes k units, for each k of 1 or more; the rest take none.
    up_to
        Largest number of units wanted, 0 or more.

    Returns
    -------
    numpy.ndarray
        P(units on order <= n) for n from 0 to `up_to`; shape (up_to + 1,).

    Notes
    -----
    Source: the splitting of a Poisson process, in any textbook of stochastic processes; base-stock
    levels as in Palm's theorem (C. Palm 1938; from memory).

    Examples
    --------
    >>> outstanding_cdf(2.0, {1: 1.0}, 4).round(6).tolist()
    [0.135335, 0.406006, 0.676676, 0.857123, 0.947347]
    """
    mass = np.zeros(up_to + 1)
    mass[0] = 1.0
    for units, chance in sorted(units_per_case.items()):
        counts = stats.poisson.pmf(np.arange(up_to // units + 1), cases_in_lead_time * chance)
        spread = np.zeros(up_to + 1)
        spread[::units] = counts
        mass = np.convolve(mass, spread)[: up_to + 1]
    return np.minimum(np.cumsum(mass), 1.0)


def units_to_cover(
    cases_in_lead_time: float, units_per_case: Mapping[int, float], tail: float
) -> int:
    """Return a number of units that more are on order with a chance of at most about `tail`.

    The bound is Chernoff's: P(X >= n) <= exp(K(s) - s n) for every s > 0, where K is the logarithm
    of the moment generating function, here Σ m P(k) (exp(s k) - 1) with m the mean number of
    cases; it is never too small, and searched over a grid of s it is at most a few units too large.

    Parameters
    ----------
    cases_in_lead_time, units_per_case
        As for :func:`outstanding_cdf`.
    tail
        A chance strictly between 0 and 1.

    Returns
    -------
    int
        Units, 0 or more.

    Notes
    -----
    Source: H. Chernoff 1952 (from memory).

    Examples
    --------
    >>> covered = units_to_cover(2.0, {1: 1.0}, 1e-9)
    >>> float(1 - outstanding_cdf(2.0, {1: 1.0}, covered)[-1]) <= 1e-9
    True
    """
    means = {
        units: cases_in_lead_time * chance
        for units, chance in units_per_case.items()
        if cases_in_lead_time * chance > 0.0
    }
    if not means:
        return 0
    slopes = np.geomspace(1e-3, 20.0, 200) / max(means)
    cumulant = sum(mean * np.expm1(slopes * units) for units, mean in means.items())
    return math.ceil(float(np.min((cumulant - math.log(tail)) / slopes)))


def expiry_cost(
    level: int, rate_per_day: float, shelf_life_days: float, unit_price_minor: float
) -> float:
    """Return the money expected to expire out of a full, fresh shelf within one shelf life.

    First expired, first out: the k-th unit of the shelf is used at the k-th demand, so it is not
    used before its use-by date with probability P(N <= k - 1), N Poisson with mean
    `rate_per_day` × `shelf_life_days`. The level's cost is the sum over its units of that
    probability × the price. Assumes demands of one unit; a demand of several at once uses the
    shelf in larger steps at the same rate of units and expires slightly more.

    Parameters
    ----------
    level
        Units kept, 0 or more.
    rate_per_day
        Mean units used a day, 0 or more.
    shelf_life_days
        Days from delivery to the use-by date, 0 or more.
    unit_price_minor
        Price of one unit in minor units of money.

    Returns
    -------
    float
        Expected money in minor units, from 0 to `level` × price.

    Notes
    -----
    Source: common practice (expected leftover of a shelf under Poisson demand), no source.

    Examples
    --------
    >>> round(expiry_cost(1, 0.001, 1000.0, 10000), 2)
    3678.79
    """
    return float(expiry_costs(level, rate_per_day, shelf_life_days, unit_price_minor)[-1])


def expiry_costs(
    up_to: int, rate_per_day: float, shelf_life_days: float, unit_price_minor: float
) -> NDArray[np.float64]:
    """Return :func:`expiry_cost` of every level from 0 to `up_to`; shape (up_to + 1,).

    Parameters
    ----------
    up_to
        Largest level, 0 or more.
    rate_per_day, shelf_life_days, unit_price_minor
        As for :func:`expiry_cost`.

    Returns
    -------
    numpy.ndarray
        Expected money in minor units by level, rising ever faster.

    Examples
    --------
    >>> expiry_costs(2, 0.001, 1000.0, 100).round(1).tolist()
    [0.0, 36.8, 110.4]
    """
    expiring = stats.poisson.cdf(np.arange(up_to), rate_per_day * shelf_life_days)
    return np.concatenate([[0.0], unit_price_minor * np.cumsum(expiring)])
