"""Which sizes to bring: the trade's rule at least, then the fewest packs that reach a target."""

import math
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations

from service.core.sizing.sizes_held import LinkedGroup, PackSizes

#: One pack: its implant and its sizes.
Pack = tuple[str, PackSizes]

#: As many ways to need two packs or more at once are compared in every combination; of more, the
#: most probable ones.
MAX_COMPARED = 12

# What differs by less is alike: nobody carries a pack for it.
_TIE = 1e-9


@dataclass(frozen=True, slots=True)
class _Kit:
    """Packs on top of the least, and the probability that they add."""

    packs: tuple[Pack, ...]
    probability: float


def fewest_packs(
    group: LinkedGroup,
    least: Collection[Pack],
    made: Collection[Pack],
    *,
    target: float,
    most: int,
) -> frozenset[Pack]:
    """Choose the packs of implants that are sized together.

    Parameters
    ----------
    group
        The implants and what their sizes hang on.
    least
        Packs that are brought in any case: the nominal one and one size either side.
    made
        The packs there are to choose from.
    target
        The probability wanted that the size needed is among those brought, 0 to 1.
    most
        How many packs may come on top of the least.

    Returns
    -------
    frozenset of (str, tuple of float)
        The least and the fewest further packs that reach the target. Where so many do not reach
        it, those that come nearest to it. Of equally many the surer ones, then the first in order.

    Notes
    -----
    Every turn of events needs certain packs together (a lag screw and the plate with its barrel),
    so that packs are worth most in sets. Where one pack is missing, the most probable turns come
    first; where more are, the combinations are compared. Source: a count of all kits.

    Examples
    --------
    >>> from service.core.sizing.distribution import SizedRole
    >>> from service.core.sizing.film import LengthEstimate
    >>> from service.core.sizing.rules import SizeRule
    >>> from service.core.sizing.sizes_held import (
    ...     SizedImplant, SizedLength, SizesNeeded, linked_groups)
    >>> lags = (85.0, 90.0, 95.0, 100.0, 105.0)
    >>> neck = SizedLength("neck", LengthEstimate(96, 4.5, True), (
    ...     SizedRole("lag", SizeRule(), lags),))
    >>> (group,) = linked_groups(SizesNeeded((neck,), (SizedImplant("screw", ("lag",)),)))
    >>> chosen = fewest_packs(group, [("screw", (95.0,))], [("screw", (one,)) for one in lags],
    ...                       target=0.85, most=3)
    >>> sorted(size for _, (size,) in chosen)
    [90.0, 95.0, 100.0]
    """
    return _fewest(group, frozenset(least), frozenset(made), target, most)


# The alternates of a case ask alike, and every check asks again.
@lru_cache(maxsize=4096)
def _fewest(
    group: LinkedGroup,
    least: frozenset[Pack],
    made: frozenset[Pack],
    target: float,
    most: int,
) -> frozenset[Pack]:
    chances = _missing(group, least, made)
    certain = chances.pop(frozenset(), 0.0)
    kits = list(_kits(chances, most))
    goal = min(target - certain, max(kit.probability for kit in kits)) - _TIE
    best = min(
        (kit for kit in kits if kit.probability >= goal),
        key=lambda kit: (len(kit.packs), -round(kit.probability, 9), kit.packs),
    )
    return least | frozenset(best.packs)


def _missing(
    group: LinkedGroup, least: frozenset[Pack], made: frozenset[Pack]
) -> dict[frozenset[Pack], float]:
    """Return what would have to come on top of the least, with how often it would be needed."""
    chances: dict[frozenset[Pack], list[float]] = defaultdict(list)
    for packs, chance in group.outcomes():
        if packs is not None and packs <= made | least and chance > 0:
            chances[packs - least].append(chance)
    return {packs: math.fsum(parts) for packs, parts in chances.items()}


def _kits(chances: Mapping[frozenset[Pack], float], most: int) -> Iterator[_Kit]:
    """Yield some of what is needed together, then single packs on top, the most probable first."""
    uses: dict[Pack, int] = defaultdict(int)
    for packs in chances:
        for pack in packs:
            uses[pack] += 1
    single = {packs for packs in chances if len(packs) == 1 and uses[next(iter(packs))] == 1}
    alone = sorted((-chances[packs], next(iter(packs))) for packs in single)
    joint = sorted(
        (packs for packs in chances if packs not in single),
        key=lambda packs: (-chances[packs], sorted(packs)),
    )[:MAX_COMPARED]
    for number in range(len(joint) + 1):
        for some in combinations(joint, number):
            together = frozenset[Pack]().union(*some)
            if len(together) > most:
                continue
            sure = math.fsum(chances[packs] for packs in chances if packs <= together)
            yield from _with_singles(together, sure, alone[: most - len(together)])


def _with_singles(
    together: frozenset[Pack], sure: float, alone: Iterable[tuple[float, Pack]]
) -> Iterator[_Kit]:
    packs = sorted(together)
    yield _Kit(tuple(packs), sure)
    for lost, pack in alone:
        packs, sure = sorted([*packs, pack]), sure - lost
        yield _Kit(tuple(packs), sure)
