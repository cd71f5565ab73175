"""Size curves: shares of the sizes, smoothed over neighbouring sizes."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

__all__ = [
    "SizeShare",
    "neighbour_prior",
    "size_curve",
]

EVEN_SHARE = 0.1
"""Part of the prior spread evenly, so that a size nobody used yet keeps a chance."""


@dataclass(frozen=True, slots=True)
class SizeShare:
    """The share of one size: its mean and an interval, all from 0 to 1."""

    size_mm: float
    share: float
    lower: float
    upper: float


def neighbour_prior(
    sizes_mm: Sequence[float],
    counts: Sequence[int],
    *,
    bandwidth_mm: float,
    concentration: float,
) -> NDArray[np.float64]:
    """Return Dirichlet weights for the sizes, drawn from what their neighbours were used.

    The weight of a size is proportional to Σ over the other sizes of n_k exp(-½ (distance /
    bandwidth)²), a Gaussian kernel; its own count is left out, since it enters with the counts
    themselves. A tenth of the weight is spread evenly. Neighbours are informative because bone
    sizes vary smoothly; an assumption, user-set through the bandwidth.

    Parameters
    ----------
    sizes_mm
        The sizes made, in mm.
    counts
        Units used of each size, 0 or more.
    bandwidth_mm
        Standard deviation of the kernel in mm, above 0.
    concentration
        Sum of the weights: how many uses the prior is worth, above 0.

    Returns
    -------
    numpy.ndarray
        Weights above 0 that sum to `concentration`; shape (sizes,).

    Raises
    ------
    ValueError
        When there is no size, the lengths differ or a value is out of range.

    Notes
    -----
    Source: kernel smoothing after Nadaraya and Watson 1964 in the place of a prior mean; common
    practice, no source for the combination.

    Examples
    --------
    >>> prior = neighbour_prior([90, 95, 100], [4, 0, 4], bandwidth_mm=5.0, concentration=3.0)
    >>> prior.round(3).tolist()
    [0.346, 2.307, 0.346]
    """
    if not sizes_mm or len(sizes_mm) != len(counts):
        raise ValueError("there must be at least one size and one count for each")
    if bandwidth_mm <= 0 or concentration <= 0 or any(count < 0 for count in counts):
        raise ValueError("bandwidth and concentration must be above 0 and counts not negative")
    places = np.asarray(sizes_mm, dtype=np.float64)
    kernel = np.exp(-0.5 * ((places[:, np.newaxis] - places) / bandwidth_mm) ** 2)
    np.fill_diagonal(kernel, 0.0)
    near = kernel @ np.asarray(counts, dtype=np.float64)
    total = float(near.sum())
    even = np.full(len(places), 1.0 / len(places))
    shares = (1.0 - EVEN_SHARE) * near / total + EVEN_SHARE * even if total > 0.0 else even
    weights: NDArray[np.float64] = concentration * shares
    return weights


def size_curve(
    sizes_mm: Sequence[float],
    counts: Sequence[int],
    *,
    bandwidth_mm: float,
    concentration: float,
    coverage: float = 0.95,
) -> tuple[SizeShare, ...]:
    """Return the share of each size, smoothed over its neighbours, with an interval.

    Posterior mean (n_k + α_k) / (N + A) with α from :func:`neighbour_prior`; the interval is the
    equal-tailed one of the beta distribution each share follows by itself.

    Parameters
    ----------
    sizes_mm, counts, bandwidth_mm, concentration
        As for :func:`neighbour_prior`.
    coverage
        Chance that the interval holds, between 0 and 1.

    Returns
    -------
    tuple of SizeShare
        In the order of the sizes; the shares sum to 1.

    Raises
    ------
    ValueError
        As for :func:`neighbour_prior`.

    Notes
    -----
    Source: Dirichlet–multinomial conjugacy, as in Gelman et al., "Bayesian Data Analysis".

    Examples
    --------
    >>> shares = size_curve([90, 95, 100], [4, 0, 4], bandwidth_mm=5.0, concentration=3.0)
    >>> [round(share.share, 3) for share in shares]
    [0.395, 0.21, 0.395]
    """
    prior = neighbour_prior(
        sizes_mm, counts, bandwidth_mm=bandwidth_mm, concentration=concentration
    )
    weights = prior + np.asarray(counts, dtype=np.float64)
    rest = weights.sum() - weights
    tail = (1.0 - coverage) / 2.0
    lower, upper = (
        np.ones(1) if len(weights) == 1 else np.asarray(stats.beta.ppf(chance, weights, rest))
        for chance in (tail, 1.0 - tail)
    )
    shares = weights / weights.sum()
    return tuple(
        SizeShare(float(size), float(share), float(low), float(high))
        for size, share, low, high in zip(sizes_mm, shares, lower, upper, strict=True)
    )
