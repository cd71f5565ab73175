"""Which items are sizes of one thing, and along which column they are neighbours."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from service.core.dirichlet import SizeShare, size_curve
from service.core.items import ItemFacts

__all__ = ["SizeFamily", "curves", "family_of", "size_families"]

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
    """Give the middle one of the steps between neighbouring sizes; 1 where there is one size."""
    apart = sorted({b - a for a, b in pairwise(sizes)} - {0.0})
    return apart[len(apart) // 2] if apart else 1.0
