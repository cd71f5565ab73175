"""What a planned construct asks of the shelf: one line for each role and size to bring.

The nominal size is the most probable one; neighbours are brought because a film only estimates.
A size that is not made stays in the list as such: it is a gap nobody can fill from a shelf.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import chain

from service.core.constructs import PlannedConstruct, Role, RoleSize, Template
from service.core.estimates import Dimension
from service.core.items import CONSUMABLE_KINDS, INSTRUMENT_SET_KINDS, ItemFacts, describe_size
from service.core.lines import (
    CONSUMABLE,
    FIRST_USE,
    IMPLANT,
    IN_ROOM,
    INSTRUMENT_SET,
    ON_SHELF,
    Line,
)
from service.core.role_sizes import Catalogue, RoleItems, Setting, Sizes, role_items, wanted
from service.core.sizing import cover

__all__ = ["FIRST_USE", "IN_ROOM", "ON_SHELF", "Line", "by_kind", "construct_lines", "near_line"]


def by_kind(catalogue: Iterable[ItemFacts]) -> Catalogue:
    """Sort a catalogue by kind, so that a role looks at its own kinds only.

    Examples
    --------
    >>> sorted(by_kind([ItemFacts("A", "washer"), ItemFacts("B", "end_cap")]))
    ['end_cap', 'washer']
    """
    return Catalogue(catalogue)


def construct_lines(
    construct: PlannedConstruct,
    *,
    templates: Mapping[str, Template],
    side: str,
    catalogue: Mapping[str, Sequence[ItemFacts]],
    dimensions: Mapping[str, Dimension],
    values: Mapping[str, float],
    is_primary: bool,
    with_spares: bool = False,
) -> tuple[Line, ...]:
    """List what one planned construct needs brought.

    Parameters
    ----------
    construct
        The parts with system and angle.
    templates
        Templates by code; every part's code must be in it.
    side
        ``left`` or ``right``.
    catalogue
        Every catalogue line, from ``by_kind``; one catalogue for many calls is quicker.
    dimensions
        Estimates by dimension, see ``estimate_dimensions``.
    values
        The sizing defaults in force, by key.
    is_primary
        The primary's nominal lines are for first use; an alternate's are in the room.
    with_spares
        Add one spare of each sized implant taken once: nothing else in the room replaces it.

    Returns
    -------
    tuple of Line
        In template order; nominal first, then neighbours from small to large, then spares.

    Notes
    -----
    One size either side, two on an uncalibrated film; never the only one of a size without a
    spare or a complete alternate in the room. Source: common practice.

    Examples
    --------
    >>> from service.core.constructs import Part
    >>> wire = Template("w", "Wire", "add_on", (Role("cerclage wire", ("cerclage_wire",)),))
    >>> lines = construct_lines(PlannedConstruct((Part("w"),)), templates={"w": wire},
    ...     side="left", catalogue=by_kind([ItemFacts("W1", "cerclage_wire", diameter_mm=1.25)]),
    ...     dimensions={}, values={}, is_primary=True)
    >>> lines[0].label, lines[0].why
    ('cerclage wire 1.25 mm', 'nominal')
    """
    lines: list[Line] = []
    if not isinstance(catalogue, Catalogue):
        catalogue = Catalogue(chain.from_iterable(catalogue.values()))
    for part in construct.parts:
        roles = {role.role: role for role in templates[part.template].roles}
        setting = Setting(part, roles, side, catalogue, dimensions, values)
        chosen: dict[str, Sizes] = {}
        for role in roles.values():
            items = role_items(role, setting)
            chosen[role.role] = items.planned_sizes(setting, chosen)
            nominal = _nominal_line(items, setting, chosen)
            lines += _quantities(nominal, role, is_primary=is_primary)
            lines += _neighbours(nominal, items, setting, chosen, is_primary=is_primary)
            if with_spares:
                lines += _spares(nominal, role)
    return tuple(_merge_instrument_sets(lines))


def near_line(kind: str, reason: str, catalogue: Mapping[str, Sequence[ItemFacts]]) -> Line:
    """Make the line for something that must be near though no construct takes it.

    Parameters
    ----------
    kind
        An item kind, such as ``extraction_set``.
    reason
        Why it must be near, in a few words.

    Returns
    -------
    Line
        One unit of any item of the kind, left on its shelf.

    Examples
    --------
    >>> near_line("extraction_set", "metal is in situ",
    ...           by_kind([ItemFacts("X1", "extraction_set", reusable=True)])).refs
    ('X1',)
    """
    refs = tuple(sorted(item.ref for item in catalogue.get(kind, ())))
    name = kind.replace("_", " ")
    what = _what((kind,))
    return Line(name, name, refs, 1, f"near: {reason}", ON_SHELF, what, is_nominal=True)


def _what(kinds: Iterable[str]) -> str:
    if INSTRUMENT_SET_KINDS.issuperset(kinds):
        return INSTRUMENT_SET
    return CONSUMABLE if CONSUMABLE_KINDS.issuperset(kinds) else IMPLANT


def _nominal_line(items: RoleItems, setting: Setting, chosen: Mapping[str, Sizes]) -> Line:
    line = _line(items, setting, chosen[items.role.role])
    if not line.refs:
        line = replace(line, label=f"{line.label} {wanted(items, setting, chosen)}".strip())
    return replace(line, why="nominal")


def _line(items: RoleItems, setting: Setting, sizes: Sizes) -> Line:
    role, serving = items.role, items.serving(sizes)
    system = setting.part.system if "system" in role.match else None
    label = f"{system} {role.role}" if system else role.role
    if len(serving) == 1 or (serving and role.sizes):
        label = f"{label} {describe_size(serving[0])}".strip()
    return Line(
        role=role.role,
        label=label,
        refs=tuple(sorted(item.ref for item in serving)),
        quantity=role.usual_quantity,
        why="",
        place=IN_ROOM,
        what=_what(role.kinds),
        is_sized=bool(role.sizes),
        other_side=items.other_side(sizes),
        other_head=items.other_head(sizes),
        part=setting.part.template,
    )


def _quantities(nominal: Line, role: Role, *, is_primary: bool) -> Iterator[Line]:
    """Ask for the usual number where it is used first, and for what may come on top nearby."""
    yield replace(nominal, place=FIRST_USE if is_primary else IN_ROOM, is_nominal=True)
    extra = role.largest_quantity - role.usual_quantity
    if extra > 0:
        why = f"up to {role.largest_quantity} may be needed"
        yield replace(nominal, quantity=extra, why=why)


_WORDS = {
    "length_mm": ("shorter", "longer"),
    "diameter_mm": ("thinner", "thicker"),
}
_COUNTS = {1: "one", 2: "two", 3: "three"}


def _neighbours(
    nominal: Line,
    items: RoleItems,
    setting: Setting,
    chosen: Mapping[str, Sizes],
    *,
    is_primary: bool,
) -> Iterator[Line]:
    """Ask for the sizes either side, as far as each is made with the role's other sizes."""
    sizes = chosen[items.role.role]
    if not nominal.refs:
        return
    place = IN_ROOM if is_primary else ON_SHELF
    for size in items.role.sizes:
        for neighbour, why in _sizes_beside(size, items, setting, sizes[size.field]):
            line = _line(items, setting, {**sizes, size.field: neighbour})
            if line.refs:
                yield replace(line, why=why, place=place)


def _sizes_beside(
    size: RoleSize, items: RoleItems, setting: Setting, middle: float | None
) -> Iterator[tuple[float, str]]:
    if not size.cover or middle is None:
        return
    made = items.made[size.field]
    for neighbour in cover(middle, made, setting.dimension_of(size).sizes_either_side):
        if neighbour != middle:
            away = abs(made.index(neighbour) - made.index(middle))
            word = _WORDS.get(size.field, ("smaller", "larger"))[neighbour > middle]
            yield neighbour, f"{_COUNTS.get(away, str(away))} {word}"


def _spares(nominal: Line, role: Role) -> Iterator[Line]:
    if nominal.what == IMPLANT and role.sizes and role.largest_quantity == 1 and nominal.refs:
        yield replace(nominal, quantity=1, why="spare: no alternate replaces it")


def _merge_instrument_sets(lines: Iterable[Line]) -> list[Line]:
    """Keep one line for an instrument set that two parts of a construct share."""
    merged: list[Line] = []
    places: dict[tuple[tuple[str, ...], bool], int] = {}
    for line in lines:
        key = (line.refs, line.is_nominal)
        if line.what == INSTRUMENT_SET and key in places:
            # Each part says how many it uses; they are used one after the other.
            known = merged[places[key]]
            merged[places[key]] = replace(known, quantity=max(known.quantity, line.quantity))
            continue
        if line.what == INSTRUMENT_SET and line.refs:
            places[key] = len(merged)
        merged.append(line)
    return merged
