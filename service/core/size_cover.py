"""Which sizes to bring when each has a probability, and how far they reach."""

import math
from collections.abc import Iterable

from service.core.film import SizingError

__all__ = ["cover", "cover_probability", "nominal"]

# Two sizes placed alike about the mean differ by rounding only; below this they are a tie.
TIE = 1e-12


def nominal(distribution: Iterable[tuple[float | None, float]]) -> float | None:
    """Give the most probable size.

    Parameters
    ----------
    distribution
        Pairs of a size in mm (or None: not made) and its probability.

    Returns
    -------
    float or None
        The most probable size in mm; a tie takes the smaller size; None when it is more probable
        that no size made fits, or nothing was given.

    Notes
    -----
    Source: common practice, no source.

    Examples
    --------
    >>> nominal([(90.0, 0.4), (95.0, 0.4), (None, 0.2)])
    90.0
    """
    pairs = sorted(distribution, key=lambda pair: math.inf if pair[0] is None else pair[0])
    best = max((probability for _, probability in pairs), default=0.0)
    return next((size for size, probability in pairs if probability >= best - TIE), None)


def cover(nominal_mm: float, sizes_made: Iterable[float], steps: int) -> tuple[float, ...]:
    """Give the sizes to bring: the nominal one and its neighbours.

    Parameters
    ----------
    nominal_mm
        The size planned in mm; one of the sizes made.
    sizes_made
        The sizes made in mm.
    steps
        How many sizes either side, 0 or more (1 on a calibrated film, 2 otherwise).

    Returns
    -------
    tuple of float
        Sizes in mm, rising; fewer at the ends of the range made.

    Raises
    ------
    SizingError
        If the nominal size is not made or `steps` is negative.

    Notes
    -----
    Source: one size either side, two on an uncalibrated film: common practice, no source.

    Examples
    --------
    >>> cover(90, [80, 85, 90, 95, 100], 1)
    (85.0, 90.0, 95.0)
    """
    sizes = sorted({float(size) for size in sizes_made})
    if nominal_mm not in sizes:
        raise SizingError("/nominal_mm", f"{nominal_mm:g} mm is not among the sizes made.")
    if steps < 0:
        raise SizingError("/steps", "The number of sizes either side must be 0 or more.")
    place = sizes.index(nominal_mm)
    return tuple(sizes[max(place - steps, 0) : place + steps + 1])


def cover_probability(
    distribution: Iterable[tuple[float | None, float]], sizes: Iterable[float]
) -> float:
    """Give the probability that the size needed is among the sizes brought.

    Parameters
    ----------
    distribution
        Pairs of a size in mm (or None: not made) and its probability.
    sizes
        The sizes brought in mm.

    Returns
    -------
    float
        Probability, 0 to 1; "not made" is never covered.

    Notes
    -----
    Source: a sum of probabilities.

    Examples
    --------
    >>> cover_probability([(90.0, 0.5), (95.0, 0.25), (None, 0.25)], [90, 95, 100])
    0.75
    """
    brought = set(sizes)
    return math.fsum(p for size, p in distribution if size is not None and size in brought)
