"""What could be asked of the surgeon when an item is missing: never cover, always a question."""

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from service.core.catalogue import ItemFacts
from service.core.constructs.roles import PartSizing, RoleItems, Sizes, role_items
from service.core.shortfalls.shortages import NEAR, MissingLine

#: The sizes a surgeon may vary on the table. Everything else about an item must be the same.
_VARIED = ("length_mm", "diameter_mm")


_SAME = (
    *("kind", "system", "length_mm", "diameter_mm", "angle_deg", "side", "screw_type"),
    *("head_design", "thread", "holes", "barrel_mm"),
)


@dataclass(frozen=True, slots=True)
class SubstituteQuestion:
    """Something a surgeon could accept instead; it covers nothing until they have.

    Parameters
    ----------
    kind
        ``size``, ``construct`` or ``time``.
    case
        The case it is asked for.
    asks
        The question, a sentence.
    ref
        For a size, the item that has it.
    free
        For a size, how many units are here and free on the list day.
    planned
        For a construct, how it is written.
    """

    kind: str
    case: str
    asks: str
    ref: str = ""
    free: int | None = None
    planned: str = ""


def adjacent_sizes(item: ItemFacts, catalogue: Iterable[ItemFacts]) -> tuple[ItemFacts, ...]:
    """Return the next smaller and next larger item that differs in length or diameter only.

    Parameters
    ----------
    item
        What is missing.
    catalogue
        Catalogue lines; those of other kinds are passed over.

    Returns
    -------
    tuple of ItemFacts
        Length before diameter, smaller before larger; of several in one size the first by
        reference.

    Notes
    -----
    Whether another size would do is for the surgeon to say. Source: common practice.

    Examples
    --------
    >>> made = [ItemFacts(f"L{mm}", "lag_screw", length_mm=mm) for mm in (90, 95, 100, 105)]
    >>> [one.ref for one in adjacent_sizes(made[1], made)]
    ['L90', 'L100']
    """
    alike = sorted(
        (one for one in catalogue if one.kind == item.kind and one.ref != item.ref),
        key=lambda one: one.ref,
    )
    found = []
    for field in _VARIED:
        own = getattr(item, field)
        if own is None:
            continue
        same = [one for one in alike if _differs_only(one, item, field)]
        smaller = [one for one in same if getattr(one, field) < own]
        larger = [one for one in same if getattr(one, field) > own]
        if smaller:
            found.append(max(smaller, key=lambda one: float(getattr(one, field))))
        if larger:
            found.append(min(larger, key=lambda one: float(getattr(one, field))))
    return tuple(found)


def _differs_only(one: ItemFacts, item: ItemFacts, field: str) -> bool:
    theirs = getattr(one, field)
    if theirs is None or theirs == getattr(item, field):
        return False
    return all(getattr(one, name) == getattr(item, name) for name in _SAME if name != field)


def nearest_made(role: str, setting: PartSizing) -> tuple[ItemFacts, ...]:
    """Return the items whose size comes nearest to one that is not made.

    Parameters
    ----------
    role
        A role of the part, planned in a size that is not made.
    setting
        What the part is sized with.

    Returns
    -------
    tuple of ItemFacts
        The nearest smaller and the nearest larger size, where there is one; empty when the role has
        a size, or nothing of it is made.

    Examples
    --------
    >>> from service.core.constructs.planned import ConstructPart
    >>> from service.core.constructs.templates import Role, RoleSize
    >>> from service.core.sizing.film import Dimension
    >>> from service.core.constructs.roles import Catalogue
    >>> from service.core.sizing import LengthEstimate, SizeRule
    >>> size = RoleSize("length_mm", "neck", None, SizeRule(-5, "nearest", 5))
    >>> blade = Role("blade", ("helical_blade",), sizes=(size,))
    >>> made = [ItemFacts(f"B{mm}", "helical_blade", length_mm=mm) for mm in (100, 105)]
    >>> neck = Dimension(LengthEstimate(125.0, 4.5, calibrated=True), "film", 1)
    >>> shelf = Catalogue(made)
    >>> part = ConstructPart("t")
    >>> setting = PartSizing(part, {"blade": blade}, "left", shelf, {"neck": neck}, {})
    >>> [one.ref for one in nearest_made("blade", setting)]
    ['B105']
    """
    chosen: dict[str, Sizes] = {}
    for name, one in setting.roles.items():
        items = role_items(one, setting)
        chosen[name] = items.planned_sizes(setting, chosen)
        if name == role:
            return tuple(_nearest(items, setting, chosen[name]))
    return ()


def _nearest(items: RoleItems, setting: PartSizing, sizes: Sizes) -> Iterator[ItemFacts]:
    for size in items.role.sizes:
        if sizes[size.field] is not None or size.follows is not None:
            continue
        made = items.made[size.field]
        wanted = setting.dimension_of(size).estimate.mean_mm + setting.rule_of(size).offset_mm
        place = bisect_left(made, wanted)
        for value in made[max(place - 1, 0) : place + 1]:
            yield from items.serving({**sizes, size.field: value})[:1]


def other_constructs(
    missing: Sequence[MissingLine],
    covered: Mapping[str, Sequence[tuple[str, str]]],
    suggested: Mapping[str, Sequence[tuple[str, str]]],
) -> tuple[SubstituteQuestion, ...]:
    """Ask whether another construct would do for the cases that are short of something.

    Parameters
    ----------
    missing
        Where an item is missing; for what must be near no construct is asked about.
    covered
        By case, the planned constructs that stand by and are covered: as written, and their name.
    suggested
        By case, what the rules suggest and nobody has planned, likewise; not checked against stock.

    Returns
    -------
    tuple of SubstituteQuestion
        Case by case in the order given; what stands by first, then what is suggested.

    Examples
    --------
    >>> other_constructs([], {}, {})
    ()
    """
    found: dict[tuple[str, str], SubstituteQuestion] = {}
    for one in missing:
        if one.place == NEAR:
            continue
        case = one.case.case
        for planned, name in covered.get(case, ()):
            if planned != one.construct:
                asks = f"{case}: could {name} be used? It is a backup and is covered."
                found.setdefault(
                    (case, planned), SubstituteQuestion("construct", case, asks, planned=planned)
                )
        for planned, name in suggested.get(case, ()):
            asks = (
                f"{case}: could {name} be used? Suggested by the guidance; not planned or checked."
            )
            found.setdefault(
                (case, planned), SubstituteQuestion("construct", case, asks, planned=planned)
            )
    return tuple(found.values())


def wait_questions(
    missing: Iterable[MissingLine], say: Mapping[str, str]
) -> tuple[SubstituteQuestion, ...]:
    """Ask whether a case could wait for an instrument set that is away.

    Parameters
    ----------
    missing
        Where a set is missing.
    say
        By case, when the set is back, in words; cases without are passed over.

    Returns
    -------
    tuple of SubstituteQuestion
        One for each case.

    Examples
    --------
    >>> wait_questions([], {})
    ()
    """
    cases = dict.fromkeys(one.case.case for one in missing)
    return tuple(
        SubstituteQuestion(
            "time", case, f"{case}: the set is back at {say[case]}; can the case wait?"
        )
        for case in cases
        if case in say
    )
