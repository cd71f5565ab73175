"""How probable each size is when the length behind it is only estimated."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from scipy.special import ndtr

from service.core.sizing.film import LengthEstimate, SizingError
from service.core.sizing.rules import SizeRule, break_points, chosen_size, followed_size


@dataclass(frozen=True, slots=True)
class SizedRole:
    """One implant of a construct whose size follows from a dimension or from another role.

    Parameters
    ----------
    role
        Name of the role (``lag screw``), unique in its group.
    rule
        How the size follows.
    sizes_made
        The sizes made in mm.
    follows
        The role whose chosen size leads this one, or None when the dimension itself does.
    """

    role: str
    rule: SizeRule
    sizes_made: tuple[float, ...]
    follows: str | None = None


@dataclass(frozen=True, slots=True)
class SizeOutcome:
    """One stretch of the dimension over which every role keeps its size.

    Parameters
    ----------
    low_mm, high_mm
        The stretch in mm; minus and plus infinity at the ends; equal when the length is known.
    probability
        Probability that the dimension falls there, 0 to 1.
    sizes
        Size in mm of each role, or None where it is not made.
    """

    low_mm: float
    high_mm: float
    probability: float
    sizes: Mapping[str, float | None]


def joint_outcomes(estimate: LengthEstimate, roles: Sequence[SizedRole]) -> tuple[SizeOutcome, ...]:
    """Cut one dimension's distribution at every break point of the roles that share it.

    Roles on one dimension are one factor: the antirotation screw is short when the lag screw is,
    so multiplying their probabilities would be wrong.

    Parameters
    ----------
    estimate
        The dimension: a normal distribution in mm; an SD of 0 gives one certain outcome.
    roles
        The roles that hang on the dimension, directly or through a role they follow.

    Returns
    -------
    tuple of SizeOutcome
        Rising stretches from minus to plus infinity; neighbours differ in some role's size;
        probabilities sum to 1 within 1e-12.

    Raises
    ------
    SizingError
        If two roles share a name, a leader is unknown, roles follow each other in a ring, or a
        rule or size is unusable.

    Notes
    -----
    Assumption: the error of the dimension is normal. Formula: ``Phi((b - m)/s) - Phi((a - m)/s)``,
    taken from the upper tail above the mean so that small probabilities keep their digits.
    Source: textbook normal distribution.

    Examples
    --------
    >>> lag = SizedRole("lag", SizeRule(), (90, 95))
    >>> anti = SizedRole("anti", SizeRule(offset_mm=-15, within_mm=5), (75, 80), follows="lag")
    >>> for o in joint_outcomes(LengthEstimate(92.5, 5.0, True), [lag, anti]):
    ...     print(o.low_mm, o.high_mm, round(o.probability, 4), dict(o.sizes))
    -inf 85.0 0.0668 {'lag': None, 'anti': None}
    85.0 92.5 0.4332 {'lag': 90.0, 'anti': 75.0}
    92.5 100.0 0.4332 {'lag': 95.0, 'anti': 80.0}
    100.0 inf 0.0668 {'lag': None, 'anti': None}
    """
    ordered = _leaders_first(roles)
    if estimate.sd_mm == 0:
        sizes = _sizes_at(estimate.mean_mm, ordered)
        return (SizeOutcome(estimate.mean_mm, estimate.mean_mm, 1.0, sizes),)
    return tuple(
        SizeOutcome(low, high, _probability(estimate, low, high), sizes)
        for low, high, sizes in _merged(ordered)
    )


def size_distribution(
    estimate: LengthEstimate, rule: SizeRule, sizes_made: Iterable[float]
) -> tuple[tuple[float | None, float], ...]:
    """Return the probability of each size a single role may take.

    Parameters
    ----------
    estimate
        The dimension.
    rule
        How the size follows.
    sizes_made
        The sizes made in mm.

    Returns
    -------
    tuple of (float or None, float)
        Size in mm and its probability, sizes rising; None (not made) last, only if it can occur.

    Raises
    ------
    SizingError
        If the rule or a size is unusable.

    Notes
    -----
    Source: as `joint_outcomes`.

    Examples
    --------
    >>> size_distribution(LengthEstimate(92.5, 0.0, True), SizeRule(), [90, 95])
    ((90.0, 1.0),)
    """
    parts: dict[float | None, list[float]] = {}
    role = SizedRole("", rule, tuple(sizes_made))
    for outcome in joint_outcomes(estimate, [role]):
        parts.setdefault(outcome.sizes[""], []).append(outcome.probability)
    ordered = sorted(parts, key=lambda size: math.inf if size is None else size)
    return tuple((size, math.fsum(parts[size])) for size in ordered)


def _leaders_first(roles: Sequence[SizedRole]) -> list[SizedRole]:
    """Order roles so that a leader stands before those that follow it."""
    names = {role.role for role in roles}
    if len(names) < len(roles):
        raise SizingError("/roles", "Two roles on one dimension have the same name.")
    for index, role in enumerate(roles):
        if role.follows is not None and role.follows not in names:
            raise SizingError(
                f"/roles/{index}/follows",
                f"'{role.role}' follows '{role.follows}', which is not a role on this dimension.",
            )
    waiting, ordered, placed = list(roles), [], set[str | None]({None})
    while waiting:
        ready = [role for role in waiting if role.follows in placed]
        if not ready:
            ring = ", ".join(sorted(role.role for role in waiting))
            raise SizingError("/roles", f"These roles follow each other in a circle: {ring}.")
        ordered += ready
        placed |= {role.role for role in ready}
        waiting = [role for role in waiting if role.role not in placed]
    return ordered


def _sizes_at(dimension_mm: float, ordered: Sequence[SizedRole]) -> dict[str, float | None]:
    sizes: dict[str, float | None] = {}
    for role in ordered:
        if role.follows is None:
            sizes[role.role] = chosen_size(dimension_mm, role.rule, role.sizes_made)
        else:
            sizes[role.role] = followed_size(sizes[role.follows], role.rule, role.sizes_made)
    return sizes


def _merged(
    ordered: Sequence[SizedRole],
) -> list[tuple[float, float, dict[str, float | None]]]:
    """Return the stretches of the axis, neighbours with equal sizes made one."""
    bounds = sorted(
        {
            bound
            for role in ordered
            if role.follows is None
            for bound, _ in break_points(role.rule, role.sizes_made)
            if bound < math.inf
        }
    )
    cells: list[tuple[float, float, dict[str, float | None]]] = []
    for low, high in pairwise([-math.inf, *bounds, math.inf]):
        sizes = _sizes_at(_inside(low, high), ordered)
        if cells and cells[-1][2] == sizes:
            low = cells.pop()[0]  # noqa: PLW2901 - the stretch grows to the left
        cells.append((low, high, sizes))
    return cells


def _inside(low: float, high: float) -> float:
    """Return a point strictly inside a stretch that may be open-ended."""
    if low == -math.inf:
        return 0.0 if high == math.inf else high - 1
    return low + 1 if high == math.inf else low + (high - low) / 2


def _probability(estimate: LengthEstimate, low: float, high: float) -> float:
    from_mean = (
        (low - estimate.mean_mm) / estimate.sd_mm,
        (high - estimate.mean_mm) / estimate.sd_mm,
    )
    if from_mean[0] > 0:
        return float(ndtr(-from_mean[0]) - ndtr(-from_mean[1]))
    return float(ndtr(from_mean[1]) - ndtr(from_mean[0]))
