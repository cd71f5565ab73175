"""Which size of an implant a length calls for, among the sizes that are made."""

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from service.core.sizing.film import SizingError

Fit = Literal["nearest", "at_most", "at_least", "passes"]


FITS: tuple[Fit, ...] = ("nearest", "at_most", "at_least", "passes")


@dataclass(frozen=True, slots=True)
class SizeBand:
    """One size for every target up to a bound.

    Parameters
    ----------
    up_to_mm
        The largest target in mm that takes this size, or None for every larger one.
    size_mm
        The size in mm.
    """

    up_to_mm: float | None
    size_mm: float


@dataclass(frozen=True, slots=True)
class SizeRule:
    """How the size of a role follows from a dimension.

    Parameters
    ----------
    offset_mm
        Added to the dimension to give the target, in mm (-5 for a lag screw that compresses).
    fit
        ``nearest`` (a tie takes the smaller size), ``at_most`` (the largest size not above the
        target), ``at_least`` (the smallest size not below it) or ``passes`` (as ``at_most``, and
        the largest size made passes whatever is wider: a nail in a wide canal).
    step_mm
        How far in mm the target may lie beyond the smallest or largest size made; None takes the
        gap between the last two sizes at that end. With ``passes`` only the smallest has an end:
        how much more than usual the canal can be reamed.
    bands
        Sizes given directly by the target, bounds ascending; with bands, `fit` and `step_mm` are
        not used, and a band's size that is not made gives None.
    within_mm
        The furthest in mm that the size may lie from the target (antirotation screw: lag - 15,
        within 5, is 10 to 20 mm shorter); None sets no limit.
    """

    offset_mm: float = 0.0
    fit: Fit = "nearest"
    step_mm: float | None = None
    bands: tuple[SizeBand, ...] = ()
    within_mm: float | None = None

    def __post_init__(self) -> None:
        if not math.isfinite(self.offset_mm):
            raise SizingError("/offset_mm", "The offset must be a finite number of millimetres.")
        if self.fit not in FITS:
            raise SizingError("/fit", f"The fit must be one of {', '.join(FITS)}, not {self.fit}.")
        if self.step_mm is not None and not 0 < self.step_mm < math.inf:
            raise SizingError("/step_mm", "A step must be a finite number above 0 mm.")
        if self.within_mm is not None and not 0 <= self.within_mm < math.inf:
            raise SizingError("/within_mm", "The limit must be a finite number of 0 mm or more.")
        _check_bands(self.bands)


def _check_bands(bands: tuple[SizeBand, ...]) -> None:
    bounds = [math.inf if band.up_to_mm is None else band.up_to_mm for band in bands]
    for index, bound in enumerate(bounds):
        if math.isnan(bound) or bound == -math.inf:
            raise SizingError(f"/bands/{index}/up_to_mm", "A bound must be a number or absent.")
        if index and bounds[index - 1] >= bound:
            raise SizingError(
                f"/bands/{index}/up_to_mm",
                "Bounds must rise from band to band, and only the last may be open.",
            )


def chosen_size(dimension_mm: float, rule: SizeRule, sizes_made: Iterable[float]) -> float | None:
    """Return the size a dimension calls for.

    The target is ``dimension + offset``. A tie between two sizes takes the smaller one. A target
    beyond the smallest or largest size by at most one step takes that size, whatever the fit; by
    more than one step there is no such size, but for ``passes``, where the largest size passes
    whatever is wider.

    Parameters
    ----------
    dimension_mm
        The measured or drawn length in mm, finite.
    rule
        How the size follows.
    sizes_made
        The sizes on the market or in the catalogue in mm, in any order, repeats ignored.

    Returns
    -------
    float or None
        The size in mm, or None: not made (also when no size is made at all).

    Raises
    ------
    SizingError
        If the dimension or a size is not a usable number, or there is one size and no step.

    Notes
    -----
    Source: common practice, no source.

    Examples
    --------
    >>> chosen_size(97.5, SizeRule(offset_mm=-5), [85, 90, 95])
    90.0
    >>> chosen_size(106, SizeRule(offset_mm=-5), [85, 90, 95]) is None
    True
    >>> chosen_size(18, SizeRule(offset_mm=-1, fit="passes"), [9, 10, 11, 12, 13])
    13.0
    """
    if not math.isfinite(dimension_mm):
        raise SizingError("/dimension_mm", "The dimension must be a finite number of millimetres.")
    return _pick(dimension_mm + rule.offset_mm, rule, _ordered(sizes_made))


def followed_size(
    leader_size_mm: float | None, rule: SizeRule, sizes_made: Iterable[float]
) -> float | None:
    """Return the size of a role that follows the size chosen for another role.

    Parameters
    ----------
    leader_size_mm
        The size chosen for the leading role in mm, or None when that is not made.
    rule
        How the size follows; its offset is added to the leader's size.
    sizes_made
        The sizes made of the following role in mm.

    Returns
    -------
    float or None
        The size in mm; None when it is not made or the leader has none.

    Raises
    ------
    SizingError
        As `chosen_size`.

    Notes
    -----
    Source: antirotation screw 10 to 20 mm shorter than the lag screw, common practice.

    Examples
    --------
    >>> followed_size(95, SizeRule(offset_mm=-15, within_mm=5), [70, 75, 80, 85])
    80.0
    >>> barrel = SizeRule(bands=(SizeBand(80, 25), SizeBand(None, 38)))
    >>> followed_size(80, barrel, [25, 38]), followed_size(85, barrel, [25, 38])
    (25.0, 38.0)
    """
    if leader_size_mm is None:
        return None
    return chosen_size(leader_size_mm, rule, sizes_made)


def break_points(
    rule: SizeRule, sizes_made: Iterable[float]
) -> tuple[tuple[float, float | None], ...]:
    """Cut the dimension's axis into the intervals that call for one size each.

    Exactly on a bound `chosen_size` decides; a bound has no width, so it carries no probability.

    Parameters
    ----------
    rule
        How the size follows.
    sizes_made
        The sizes made in mm.

    Returns
    -------
    tuple of (float, float or None)
        Upper bound of the dimension in mm (the offset is taken out) and the size below it, in
        rising order from minus infinity; the last bound is infinity; neighbours differ in size.

    Raises
    ------
    SizingError
        As `chosen_size`.

    Notes
    -----
    Source: the rule of `chosen_size`, common practice.

    Examples
    --------
    >>> break_points(SizeRule(offset_mm=-5), [90, 95])
    ((90.0, None), (97.5, 90.0), (105.0, 95.0), (inf, None))
    """
    sizes = _ordered(sizes_made)
    bounds = sorted(set(_bounds(rule, sizes)))
    inner = [low + (high - low) / 2 for low, high in pairwise(bounds)]
    probes = [bounds[0] - 1, *inner, bounds[-1] + 1] if bounds else [0.0]
    cells: list[tuple[float, float | None]] = []
    for bound, probe in zip([*bounds, math.inf], probes, strict=True):
        size = _pick(probe, rule, sizes)
        if cells and cells[-1][1] == size:
            cells.pop()
        cells.append((bound - rule.offset_mm, size))
    return tuple(cells)


def _ordered(sizes_made: Iterable[float]) -> list[float]:
    sizes = sorted({float(size) for size in sizes_made})
    for size in sizes:
        if not 0 < size < math.inf:
            raise SizingError(
                "/sizes_made", f"A size must be a finite number above 0 mm, not {size}."
            )
    return sizes


def _steps(rule: SizeRule, sizes: Sequence[float]) -> tuple[float, float]:
    """Return the step below the smallest and above the largest size."""
    if rule.step_mm is not None:
        return rule.step_mm, rule.step_mm
    if len(sizes) == 1:
        raise SizingError(
            "/step_mm",
            f"Only one size ({sizes[0]:g} mm) is made, so the rule must say how far in "
            "millimetres a length may lie from it.",
        )
    return sizes[1] - sizes[0], sizes[-1] - sizes[-2]


def _pick(target_mm: float, rule: SizeRule, sizes: Sequence[float]) -> float | None:
    if not sizes:
        return None
    size = _banded(target_mm, rule, sizes) if rule.bands else _fitted(target_mm, rule, sizes)
    if size is None or rule.within_mm is None or abs(size - target_mm) <= rule.within_mm:
        return size
    return None


def _banded(target_mm: float, rule: SizeRule, sizes: Sequence[float]) -> float | None:
    for band in rule.bands:
        if band.up_to_mm is None or target_mm <= band.up_to_mm:
            return float(band.size_mm) if band.size_mm in sizes else None
    return None


def _fitted(target_mm: float, rule: SizeRule, sizes: Sequence[float]) -> float | None:
    step_below, step_above = _steps(rule, sizes)
    highest = math.inf if rule.fit == "passes" else sizes[-1] + step_above
    if not sizes[0] - step_below <= target_mm <= highest:
        return None
    clamped = min(max(target_mm, sizes[0]), sizes[-1])
    at_most = sizes[bisect_right(sizes, clamped) - 1]
    at_least = sizes[bisect_left(sizes, clamped)]
    if rule.fit == "nearest":
        return at_most if clamped <= _midpoint(at_most, at_least) else at_least
    return at_least if rule.fit == "at_least" else at_most


def _midpoint(low: float, high: float) -> float:
    # One formula for the choice and for the break points, so that they round alike.
    return low + (high - low) / 2


def _bounds(rule: SizeRule, sizes: Sequence[float]) -> list[float]:
    """Return every target at which the size may change."""
    if not sizes:
        return []
    near = rule.within_mm
    limits = [] if near is None else [size + side for size in sizes for side in (-near, near)]
    if rule.bands:
        return limits + [band.up_to_mm for band in rule.bands if band.up_to_mm is not None]
    step_below, step_above = _steps(rule, sizes)
    inner = list(sizes)
    if rule.fit == "nearest":
        inner = [_midpoint(low, high) for low, high in pairwise(sizes)]
    if rule.fit != "passes":
        inner = [*inner, sizes[-1] + step_above]
    return [*limits, sizes[0] - step_below, *inner]


def sizes_to_bring(nominal_mm: float, sizes_made: Iterable[float], steps: int) -> tuple[float, ...]:
    """Return the sizes to bring: the nominal one and its neighbours.

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
    >>> sizes_to_bring(90, [80, 85, 90, 95, 100], 1)
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
    """Return the probability that the size needed is among the sizes brought.

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
