"""What a level does for one item by itself, and what copies of a set do for the cases that ask."""

from collections.abc import Mapping

import numpy as np

from service.core.par.outstanding import outstanding_cdf, units_to_cover

__all__ = ["erlang_b", "expected_short", "level_for"]

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
