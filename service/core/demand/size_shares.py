"""Size curves: shares of the sizes, smoothed over neighbouring sizes."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from service.core.catalogue import ItemFacts

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


#: Columns along which sizes can be neighbours; among equals the first is taken.
_AXES = ("length_mm", "diameter_mm", "thread_length_mm", "holes", "barrel_mm")


#: Steps between neighbours over which a size leans on others: an assumption, no source.
BANDWIDTH_STEPS = 1.0


#: Uses the neighbours are worth: an assumption, no source.
CONCENTRATION = 10.0


@dataclass(frozen=True, slots=True)
class SizeFamily:
    """Items that differ in one size only.

    Parameters
    ----------
    name
        The same for all its members: kind, system, and what they have in common.
    axis
        The column in which they differ, or None for an item that comes in one size.
    members
        Reference and size, by size, then reference.
    """

    name: str
    axis: str | None
    members: tuple[tuple[str, float], ...]


def family_of(facts: ItemFacts) -> str:
    """Name the family whose rates of use are of one order: kind, system and design.

    Parameters
    ----------
    facts
        A catalogue line.

    Returns
    -------
    str
        Words joined by commas. Sizes, angles and sides are not in it.

    Examples
    --------
    >>> family_of(ItemFacts("A", "lag_screw", system="Demo", head_design="headed", length_mm=95))
    'lag screw, Demo, headed'
    """
    thread = None if facts.thread is None else f"{facts.thread} threaded"
    words = (facts.kind.replace("_", " "), facts.system, facts.head_design, thread)
    return ", ".join(word for word in words if word is not None)


def size_families(items: Iterable[ItemFacts]) -> tuple[SizeFamily, ...]:
    """Sort items into families that differ in one size, the column with the most sizes.

    Parameters
    ----------
    items
        Catalogue lines; every one ends in exactly one family.

    Returns
    -------
    tuple of SizeFamily
        By name.

    Examples
    --------
    >>> screws = [ItemFacts(f"L{mm}", "lag_screw", system="Demo", length_mm=mm, diameter_mm=10.5)
    ...           for mm in (90, 95)]
    >>> size_families(screws)[0].axis, size_families(screws)[0].members
    ('length_mm', (('L90', 90.0), ('L95', 95.0)))
    """
    groups: dict[str, list[ItemFacts]] = {}
    for item in items:
        words = [family_of(item)]
        words += [] if item.angle_deg is None else [f"{item.angle_deg:g}°"]
        words += [item.side] if item.side in ("left", "right") else []
        groups.setdefault(", ".join(words), []).append(item)
    found = [family for name, group in groups.items() for family in _split(name, group)]
    return tuple(sorted(found, key=lambda family: family.name))


def _split(name: str, group: Sequence[ItemFacts]) -> list[SizeFamily]:
    """Split a group by every size but the one that has the most values in it."""
    values = {axis: {_size(item, axis) for item in group} - {None} for axis in _AXES}
    axis = max(_AXES, key=lambda one: len(values[one]))
    rest = [one for one in _AXES if one != axis and len(values[one]) > 1]
    parts: dict[str, list[ItemFacts]] = {}
    for item in group:
        told = [
            f"{one.removesuffix('_mm').replace('_', ' ')} {size:g}"
            for one in rest
            if (size := _size(item, one)) is not None
        ]
        sized = _size(item, axis) is not None
        parts.setdefault(", ".join([name, *told, *([] if sized else [item.ref])]), []).append(item)
    return [
        SizeFamily(
            part,
            axis if _size(members[0], axis) is not None else None,
            tuple(sorted(((m.ref, _size(m, axis) or 0.0) for m in members), key=_by_size)),
        )
        for part, members in parts.items()
    ]


def _size(item: ItemFacts, axis: str) -> float | None:
    value = getattr(item, axis)
    return None if value is None else float(value)


def _by_size(member: tuple[str, float]) -> tuple[float, str]:
    return member[1], member[0]


def curves(
    families: Iterable[SizeFamily], used: Mapping[str, int]
) -> dict[str, tuple[SizeFamily, SizeShare]]:
    """Return each item's share of its family's use, smoothed over neighbouring sizes.

    Parameters
    ----------
    families
        Families of sizes.
    used
        Units used by reference; absent means none.

    Returns
    -------
    dict of str to (SizeFamily, SizeShare)
        By reference. The kernel is as wide as the family's usual step between sizes.

    Examples
    --------
    >>> family = SizeFamily("lag screw", "length_mm", (("L90", 90.0), ("L95", 95.0)))
    >>> shares = curves([family], {"L90": 30})
    >>> round(shares["L90"][1].share, 3), round(shares["L95"][1].share, 3)
    (0.762, 0.237)
    """
    found = {}
    for family in families:
        sizes = [size for _, size in family.members]
        counts = [used.get(ref, 0) for ref, _ in family.members]
        shares = size_curve(
            sizes,
            counts,
            bandwidth_mm=BANDWIDTH_STEPS * _step(sizes),
            concentration=CONCENTRATION,
        )
        for (ref, _), share in zip(family.members, shares, strict=True):
            found[ref] = (family, share)
    return found


def _step(sizes: Sequence[float]) -> float:
    """Return the middle one of the steps between neighbouring sizes; 1 where there is one size."""
    apart = sorted({b - a for a, b in pairwise(sizes)} - {0.0})
    return apart[len(apart) // 2] if apart else 1.0
