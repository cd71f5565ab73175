"""Which catalogue references stand for each other in a readiness problem.

The problem knows items, not substitutes. References that always serve together are one item.
Where two roles share only some of their references, each role is held to the reference with the
most stock: this may count too little, and never too much.
"""

from collections.abc import Iterable

from service.core.readiness.problem import MAX_NAME_CHARACTERS
from service.core.units import StockUnits

__all__ = ["ItemClasses"]


class ItemClasses:
    """Names of items for sets of references.

    Parameters
    ----------
    groups
        Every set of references that serves some role in some size.
    parcels
        Stock, to tell which reference of a mixed group has the most.

    Examples
    --------
    >>> classes = ItemClasses([("A", "B"), ("C",), ("C", "D")], [StockUnits("p", "D", 3)])
    >>> classes.name(("A", "B")), classes.name(("C", "D")), classes.class_of("B")
    ('A|B', 'D', 'A|B')
    """

    def __init__(self, groups: Iterable[tuple[str, ...]], parcels: Iterable[StockUnits]) -> None:
        sets = {tuple(sorted(set(group))) for group in groups if group}
        amounts: dict[str, int] = {}
        for parcel in parcels:
            amounts[parcel.ref] = amounts.get(parcel.ref, 0) + parcel.quantity
        uses: dict[str, int] = {}
        for group in sets:
            for ref in group:
                uses[ref] = uses.get(ref, 0) + 1
        self._names: dict[tuple[str, ...], str] = {}
        self._classes: dict[str, str] = {}
        for group in sorted(sets):
            alone = all(uses[ref] == 1 for ref in group)
            if alone:
                self._names[group] = _joined(group)
                self._classes |= dict.fromkeys(group, self._names[group])
            else:
                self._names[group] = max(group, key=lambda ref: (amounts.get(ref, 0), ref))
                self._classes |= {ref: ref for ref in group}

    def name(self, refs: tuple[str, ...]) -> str:
        """Give the item that stands for references which serve together."""
        return self._names[tuple(sorted(set(refs)))]

    def class_of(self, ref: str) -> str | None:
        """Give the item a reference counts towards, or ``None`` when nobody asks for it."""
        return self._classes.get(ref)


#: Ends a name that has no room for all its references.
_MORE = "|…"


def _joined(group: tuple[str, ...]) -> str:
    """Name a group after its references, as many as a name has room for; no two groups share one.

    Groups that are named like this have no reference in common, so the first tells them apart.
    """
    whole = "|".join(group)
    if len(whole) <= MAX_NAME_CHARACTERS:
        return whole
    name = group[0]
    for ref in group[1:]:
        if len(name) + 1 + len(ref) + len(_MORE) > MAX_NAME_CHARACTERS:
            break
        name = f"{name}|{ref}"
    return name + _MORE
