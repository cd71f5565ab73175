"""How much of an item is on order: compound Poisson over its lead time."""

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray
from scipy import stats


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


NEGLIGIBLE = 1e-12


MOST_UNITS = 5_000


def expected_short(
    cases_in_lead_time: float, units_per_case: Mapping[int, float], level: int
) -> float:
    """Return by how many units the shelf is short on average: the expected backorders.

    With X units on order under one-for-one reordering, E[max(X - level, 0)] is the sum over
    n >= level of P(X > n); here as mean - level + the sum over n < level of P(X <= n).

    Parameters
    ----------
    cases_in_lead_time
        Mean number of cases in one lead time, 0 or more.
    units_per_case
        Chance that a case takes k units, for each k of 1 or more.
    level
        Units kept, 0 or more.

    Returns
    -------
    float
        Units, 0 or more.

    Notes
    -----
    Source: C. C. Sherbrooke 1968, METRIC (from memory); the second form is the same sum.

    Examples
    --------
    >>> [round(expected_short(1.0, {1: 1.0}, level), 4) for level in range(4)]
    [1.0, 0.3679, 0.1036, 0.0233]
    """
    mean = cases_in_lead_time * sum(units * chance for units, chance in units_per_case.items())
    if level == 0:
        return mean
    held = float(np.sum(outstanding_cdf(cases_in_lead_time, units_per_case, level - 1)))
    return max(0.0, mean - level + held)


def level_for(
    cases_in_lead_time: float, units_per_case: Mapping[int, float], chance: float
) -> int | None:
    """Return the smallest level at which one more unit is on the shelf with a stated chance.

    A unit is there when at most level - 1 are on order, so this is one above the level of the
    newsvendor whose critical ratio, penalty / (penalty + holding), is the chance.

    Parameters
    ----------
    cases_in_lead_time, units_per_case
        As for :func:`expected_short`.
    chance
        Chance to reach, 0 or more and below 1.

    Returns
    -------
    int or None
        A level of 1 or more; None where it would be beyond 5,000 units.

    Raises
    ------
    ValueError
        When the chance is not from 0 to below 1.

    Notes
    -----
    Source: the newsvendor's critical ratio, as in L. V. Snyder and Z.-J. M. Shen, "Fundamentals of
    Supply Chain Theory".

    Examples
    --------
    >>> level_for(6.0, {1: 1.0}, 0.8)
    9
    """
    if not 0.0 <= chance < 1.0:
        raise ValueError(f"a chance to reach is from 0 to below 1, not {chance:g}")
    bound = units_to_cover(cases_in_lead_time, units_per_case, max(NEGLIGIBLE, 1.0 - chance))
    if bound > MOST_UNITS:
        return None
    shelf = outstanding_cdf(cases_in_lead_time, units_per_case, bound)
    return int(np.argmax(shelf >= min(chance, float(shelf[-1])))) + 1


def erlang_b(servers: int, offered_erlangs: float) -> float:
    """Return the chance that all servers are busy when somebody comes, who then goes away.

    Copies of an instrument set are servers, a case and its reprocessing the time of service.
    B(0) = 1 and B(n) = a B(n - 1) / (n + a B(n - 1)). Poisson arrivals; any distribution of the
    time of service with its mean.

    Parameters
    ----------
    servers
        Copies, 0 or more.
    offered_erlangs
        Mean arrivals during one mean time of service, 0 or more.

    Returns
    -------
    float
        From 0 to 1.

    Raises
    ------
    ValueError
        When a number is negative.

    Notes
    -----
    Source: A. K. Erlang 1917 and any table of telephone traffic; the recursion is common practice.

    Examples
    --------
    >>> erlang_b(2, 1.0)
    0.2
    """
    if servers < 0 or offered_erlangs < 0.0:
        raise ValueError("servers and load are not negative")
    blocked = 1.0
    for number in range(1, servers + 1):
        blocked = offered_erlangs * blocked / (number + offered_erlangs * blocked)
    return blocked
