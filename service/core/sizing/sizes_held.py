"""How probable it is that the size needed is among the sizes that are in the room.

A nail has a diameter and a length, and the pack that fits must have both: three diameters and
three lengths are nine nails. So sizes are counted as sets, over all lengths of the patient at
once, and an implant that follows another (barrel after lag screw) is counted with its leader.
"""

import math
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray
from scipy.stats import multivariate_normal

from service.core.sizing.distribution import SizedRole, SizeOutcome, joint_outcomes
from service.core.sizing.film import Dimension, LengthEstimate, SizingError

#: The sizes of one pack, in the order in which its implant names them: diameter, length.
PackSizes = tuple[float, ...]

#: Packs by implant.
Packs = Mapping[str, Collection[PackSizes]]


@dataclass(frozen=True, slots=True)
class SizedLength:
    """One length of the patient with every size that hangs on it.

    Parameters
    ----------
    length
        Its name: ``neck``, ``canal`` …
    estimate
        Mean and SD in mm.
    sized
        The sizes that follow from it, directly or through another; names unique in the problem.
    """

    length: str
    estimate: LengthEstimate
    sized: tuple[SizedRole, ...]


@dataclass(frozen=True, slots=True)
class SizedImplant:
    """One implant and the names of its sizes, at least one: a nail has a diameter and a length."""

    name: str
    sizes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LinkedLengths:
    """Two lengths whose errors go together: both scaled by the same guessed magnification.

    Parameters
    ----------
    first, second
        Names of the lengths.
    correlation
        Between -1 and 1, both excluded.
    """

    first: str
    second: str
    correlation: float


@dataclass(frozen=True, slots=True)
class SizesNeeded:
    """What decides which sizes one construct needs.

    Parameters
    ----------
    lengths
        The lengths of the patient; errors are independent but for the links.
    implants
        Everything of it that has a size.
    links
        Lengths whose errors go together; a length is in one link at most.
    """

    lengths: tuple[SizedLength, ...]
    implants: tuple[SizedImplant, ...]
    links: tuple[LinkedLengths, ...] = ()

    def __post_init__(self) -> None:
        known = {size.role for one in self.lengths for size in one.sized}
        for place, implant in enumerate(self.implants):
            if not implant.sizes or not known.issuperset(implant.sizes):
                raise SizingError(
                    f"/implants/{place}/sizes",
                    f"'{implant.name}' must have sizes that follow from a length given.",
                )
        _check_links(self.links, {one.length for one in self.lengths})


def linked_lengths(dimensions: Mapping[str, Dimension]) -> tuple[LinkedLengths, ...]:
    """Say which lengths share an error: those on one film without a marker.

    Parameters
    ----------
    dimensions
        What is known of each length, by name.

    Returns
    -------
    tuple of LinkedLengths
        The pairs of them, in order of name; empty with a marker.

    Notes
    -----
    Correlation ``m1 m2 / (s1 s2)``, m the SD from the magnification and s the whole SD. Source:
    covariance of two sums with a term in common, any textbook.

    Examples
    --------
    >>> neck = Dimension(LengthEstimate(95, 5, False), "film", 2, magnification_sd_mm=3)
    >>> canal = Dimension(LengthEstimate(12, 1, False), "film", 2, magnification_sd_mm=0.5)
    >>> [(one.first, one.second, round(one.correlation, 6))
    ...  for one in linked_lengths({"neck": neck, "canal": canal})]
    [('canal', 'neck', 0.3)]
    """
    shares = {
        key: one.magnification_sd_mm / one.estimate.sd_mm
        for key, one in sorted(dimensions.items())
        if one.magnification_sd_mm > 0
    }
    return tuple(
        # Rounding alone could make two lengths without any other error one and the same.
        LinkedLengths(one, other, min(shares[one] * shares[other], 1 - 1e-9))
        for one, other in combinations(shares, 2)
    )


def _check_links(links: Sequence[LinkedLengths], lengths: Collection[str]) -> None:
    seen: set[str] = set()
    for place, link in enumerate(links):
        pair = {link.first, link.second}
        if len(pair) == 1 or not pair.issubset(lengths) or pair & seen:
            reason = "A link joins two lengths given, and a length is in one link at most."
            raise SizingError(f"/links/{place}", reason)
        if not -1 < link.correlation < 1:
            reason = "A correlation must lie between -1 and 1, both excluded."
            raise SizingError(f"/links/{place}/correlation", reason)
        seen |= pair


def held_probability(
    needed: SizesNeeded, held: Packs, implants: Collection[str] | None = None
) -> float:
    """Return the probability that every implant is there in the size it turns out to need.

    Parameters
    ----------
    needed
        What decides which sizes are needed.
    held
        The packs there are, by implant; an implant without packs is not there.
    implants
        The implants that matter, or None for all of them.

    Returns
    -------
    float
        Probability, 0 to 1; a size that is not made is never there. 1 when nothing has a size.

    Notes
    -----
    Each length is cut into stretches over which no size changes (`joint_outcomes`); a box of
    stretches is a rectangle of the normal distribution, and the boxes that are served are summed.
    Assumption: errors are normal. Source: textbook normal distribution; the bivariate one by
    Genz' method in scipy.

    Examples
    --------
    >>> from service.core.sizing.rules import SizeRule
    >>> def of(name, mean, sd, made):
    ...     size = SizedRole(name, SizeRule(), made)
    ...     return SizedLength(name, LengthEstimate(mean, sd, True), (size,))
    >>> nail = SizesNeeded(
    ...     (of("canal", 11, 1.0, (10, 11, 12)), of("femur", 360, 15, (340, 360, 380))),
    ...     (SizedImplant("nail", ("canal", "femur")),))
    >>> cross = {"nail": [(11, 360), (10, 360), (12, 360), (11, 340), (11, 380)]}
    >>> grid = {"nail": [(d, l) for d in (10, 11, 12) for l in (340, 360, 380)]}
    >>> round(held_probability(nail, cross), 3), round(held_probability(nail, grid), 3)
    (0.663, 0.947)
    """
    there = {(name, sizes) for name, packs in held.items() for sizes in packs}
    total = 1.0
    for group in linked_groups(needed, implants):
        total *= math.fsum(
            chance for packs, chance in group.outcomes() if packs is not None and packs <= there
        )
    return min(1.0, total)


#: The packs that are needed together, each an implant and its sizes; None: one is not made.
PacksNeeded = frozenset[tuple[str, PackSizes]] | None


@dataclass(frozen=True, slots=True)
class LinkedGroup:
    """Lengths that cannot be judged one by one, and the implants that hang on them."""

    lengths: tuple[SizedLength, ...]
    implants: tuple[SizedImplant, ...]
    links: tuple[LinkedLengths, ...]

    def outcomes(self) -> tuple[tuple[PacksNeeded, float], ...]:
        """Return everything the implants may turn out to need with its probability, each once."""
        return _outcomes(self)


def linked_groups(
    needed: SizesNeeded, implants: Collection[str] | None = None
) -> tuple[LinkedGroup, ...]:
    """Split a problem into groups that have no length and no link in common.

    Parameters
    ----------
    needed
        What decides which sizes are needed.
    implants
        The implants that matter, or None for all of them.

    Returns
    -------
    tuple of LinkedGroup
        Every implant that matters is in one of them; lengths nobody hangs on are in none.

    Notes
    -----
    Source: none needed.

    Examples
    --------
    >>> from service.core.sizing.rules import SizeRule
    >>> lag = SizedRole("lag", SizeRule(), (90, 95))
    >>> barrel = SizedRole("barrel", SizeRule(step_mm=5), (38,), follows="lag")
    >>> neck = SizedLength("neck", LengthEstimate(92.5, 0, True), (lag, barrel))
    >>> (group,) = linked_groups(SizesNeeded((neck,), (SizedImplant("lag screw", ("lag",)),)))
    >>> group.outcomes()
    ((frozenset({('lag screw', (90.0,))}), 1.0),)
    """
    wanted = [one for one in needed.implants if implants is None or one.name in implants]
    by_size = {size.role: one.length for one in needed.lengths for size in one.sized}
    hangs = {one.name: {by_size[size] for size in one.sizes} for one in wanted}
    used: set[str] = set().union(*hangs.values())
    links = [one for one in needed.links if {one.first, one.second} <= used]
    sets = [{one.length} for one in needed.lengths if one.length in used]
    for joined in [*hangs.values(), *({one.first, one.second} for one in links)]:
        touched = [one for one in sets if one & joined]
        sets = [one for one in sets if not one & joined] + [set().union(*touched)]
    return tuple(
        LinkedGroup(
            tuple(one for one in needed.lengths if one.length in lengths),
            tuple(one for one in wanted if hangs[one.name] <= lengths),
            tuple(one for one in links if one.first in lengths),
        )
        for lengths in sets
    )


# The alternates of a case ask alike, and every check asks again.
@lru_cache(maxsize=4096)
def _outcomes(group: LinkedGroup) -> tuple[tuple[PacksNeeded, float], ...]:
    cut = [_stretches(one) for one in group.lengths]
    chances = _chances(group)
    sums: dict[PacksNeeded, list[float]] = defaultdict(list)
    for box in product(*(range(len(stretches)) for stretches in cut)):
        sizes: dict[str, float | None] = {}
        for stretches, place in zip(cut, box, strict=True):
            sizes |= stretches[place].sizes
        sums[_packs_needed(group.implants, sizes)].append(float(chances[box]))
    return tuple((packs, math.fsum(parts)) for packs, parts in sums.items())


def _packs_needed(
    implants: Sequence[SizedImplant], sizes: Mapping[str, float | None]
) -> PacksNeeded:
    packs = set()
    for implant in implants:
        wanted = tuple(size for name in implant.sizes if (size := sizes[name]) is not None)
        if len(wanted) < len(implant.sizes):
            return None
        packs.add((implant.name, wanted))
    return frozenset(packs)


def _chances(group: LinkedGroup) -> NDArray[np.float64]:
    """Return the probability of every box of stretches, one axis a length."""
    axes = {one.length: axis for axis, one in enumerate(group.lengths)}
    alone = dict(axes)
    chances = np.ones([1] * len(axes))
    for link in group.links:
        pair = sorted((axes[link.first], axes[link.second]))
        one, other = (group.lengths[axis] for axis in pair)
        chances = chances * _along(_rectangles(one, other, link.correlation), pair, len(axes))
        del alone[link.first], alone[link.second]
    for axis in alone.values():
        chances = chances * _along(_probabilities(group.lengths[axis]), [axis], len(axes))
    return chances


def _along(
    values: NDArray[np.float64], axes: Sequence[int], dimensions: int
) -> NDArray[np.float64]:
    """Lay values out along some axes, so that they spread over the others."""
    sizes = dict(zip(axes, values.shape, strict=True))
    return values.reshape([sizes.get(axis, 1) for axis in range(dimensions)])


def _stretches(length: SizedLength) -> tuple[SizeOutcome, ...]:
    return joint_outcomes(length.estimate, length.sized)


def _rectangles(first: SizedLength, second: SizedLength, correlation: float) -> NDArray[np.float64]:
    """Return the probability of each pair of stretches of two lengths that go together."""
    if first.estimate.sd_mm == 0 or second.estimate.sd_mm == 0:
        sides = [
            np.array([one.probability for one in _stretches(each)]) for each in (first, second)
        ]
        return np.outer(*sides)
    rows, columns = _bounds(first), _bounds(second)
    corners = np.array(list(product(rows, columns)))
    below = multivariate_normal.cdf(corners, cov=[[1.0, correlation], [correlation, 1.0]])
    table = np.reshape(below, (len(rows), len(columns)))
    return np.maximum(np.diff(np.diff(table, axis=0), axis=1), 0.0)


def _probabilities(length: SizedLength) -> NDArray[np.float64]:
    return np.array([one.probability for one in _stretches(length)])


def _bounds(length: SizedLength) -> list[float]:
    """Return the ends of all stretches in standard deviations from the mean."""
    outcomes, estimate = _stretches(length), length.estimate
    ends = [outcomes[0].low_mm, *(one.high_mm for one in outcomes)]
    return [(end - estimate.mean_mm) / estimate.sd_mm for end in ends]
