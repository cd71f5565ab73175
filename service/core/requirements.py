"""What a planned construct asks of the shelf: one line for each role and size to bring.

The nominal size is the most probable one; neighbours are brought because a film only estimates.
A size that is not made stays in the list as such: it is a gap nobody can fill from a shelf.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain

from service.core.constructs import Part, PlannedConstruct, Role, RoleSize, Template, fits_role
from service.core.estimates import Dimension
from service.core.items import ItemFacts, describe_size
from service.core.sizing import Band, SizeRule, cover, follow, nominal, size_distribution

__all__ = ["Line", "by_kind", "construct_lines", "near_line"]

FIRST_USE, IN_ROOM, ON_SHELF = "first use", "in the room", "on its shelf"


@dataclass(frozen=True, slots=True)
class Line:
    """One thing to bring for one construct.

    Parameters
    ----------
    role
        The role it fills.
    label
        What it is and its size, as said in theatre.
    refs
        Catalogue references that serve it, in alphabetical order; empty when the size is not made.
    quantity
        How many.
    why
        Why it is there: ``nominal``, ``one longer``, ``up to 3 may be needed``, ``spare`` …
    place
        ``first use``, ``in the room`` or ``on its shelf``.
    what
        ``implant``, ``instrument set`` or ``consumable``.
    is_nominal
        Whether the construct is planned with it; neighbours and spares are not nominal.
    other_side, other_head
        References that differ only in side, or only in head design: they do not serve the line.
    """

    role: str
    label: str
    refs: tuple[str, ...]
    quantity: int
    why: str
    place: str
    what: str = "implant"
    is_nominal: bool = False
    is_sized: bool = False
    is_spare: bool = False
    other_side: tuple[str, ...] = ()
    other_head: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Setting:
    """What every role of one part is sized and matched with."""

    part: Part
    roles: Mapping[str, Role]
    side: str
    catalogue: Mapping[str, Sequence[ItemFacts]]
    dimensions: Mapping[str, Dimension]
    values: Mapping[str, float]
    is_primary: bool

    def of_kinds(self, role: Role) -> Iterator[ItemFacts]:
        return chain.from_iterable(self.catalogue.get(kind, ()) for kind in role.kinds)


def by_kind(catalogue: Iterable[ItemFacts]) -> Mapping[str, Sequence[ItemFacts]]:
    """Sort a catalogue by kind, so that a role looks at its own kinds only.

    Examples
    --------
    >>> sorted(by_kind([ItemFacts("A", "washer"), ItemFacts("B", "end_cap")]))
    ['end_cap', 'washer']
    """
    sorted_by_kind: dict[str, list[ItemFacts]] = {}
    for item in catalogue:
        sorted_by_kind.setdefault(item.kind, []).append(item)
    return sorted_by_kind


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
        Every catalogue line, by kind.
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
    >>> wire = Template("w", "Wire", "add_on", (Role("cerclage wire", ("cerclage_wire",)),))
    >>> lines = construct_lines(PlannedConstruct((Part("w"),)), templates={"w": wire},
    ...     side="left", catalogue=by_kind([ItemFacts("W1", "cerclage_wire", diameter_mm=1.25)]),
    ...     dimensions={}, values={}, is_primary=True)
    >>> lines[0].label, lines[0].why
    ('cerclage wire 1.25 mm', 'nominal')
    """
    lines: list[Line] = []
    for part in construct.parts:
        roles = {role.role: role for role in templates[part.template].roles}
        setting = _Setting(part, roles, side, catalogue, dimensions, values, is_primary)
        chosen: dict[str, dict[str, float | None]] = {}
        for role in roles.values():
            role_lines = list(_role_lines(role, setting, chosen))
            lines += role_lines
            if with_spares:
                lines += _spares(role, role_lines)
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
    what = "instrument set" if kind.endswith("_set") else "implant"
    return Line(name, name, refs, 1, f"near: {reason}", ON_SHELF, what, is_nominal=True)


def _role_lines(
    role: Role, setting: _Setting, chosen: dict[str, dict[str, float | None]]
) -> Iterator[Line]:
    fits = [item for item in setting.of_kinds(role) if _fits(item, role, setting)]
    sizes = {size.field: _nominal_size(size, fits, setting, chosen) for size in role.sizes}
    chosen[role.role] = sizes
    first = _line(role, setting, fits, sizes, why="nominal")
    place = FIRST_USE if setting.is_primary else IN_ROOM
    yield replace(first, quantity=role.usual_quantity, place=place, is_nominal=True)
    extra = role.largest_quantity - role.usual_quantity
    if extra > 0:
        why = f"up to {role.largest_quantity} may be needed"
        yield replace(first, quantity=extra, why=why, place=IN_ROOM)
    if not first.refs:
        return
    for size in role.sizes:
        yield from _neighbours(role, size, setting, fits, sizes)


def _fits(item: ItemFacts, role: Role, setting: _Setting) -> bool:
    part = setting.part
    return fits_role(item, role, system=part.system, angle_deg=part.angle_deg, side=setting.side)


def _nominal_size(
    size: RoleSize,
    fits: Sequence[ItemFacts],
    setting: _Setting,
    chosen: Mapping[str, Mapping[str, float | None]],
) -> float | None:
    made = _sizes_made(size, fits)
    rule = _rule(size, setting.values)
    if not made:
        return None
    if size.follows is not None:
        leader = next(iter(chosen[size.follows].values()))
        return follow(leader, rule, made)
    estimate = setting.dimensions[_dimension(size, setting.roles)].estimate
    return nominal(size_distribution(estimate, rule, made))


def _dimension(size: RoleSize, roles: Mapping[str, Role]) -> str:
    """Follow the leaders to the dimension a size ends in; templates have no rings."""
    while size.follows is not None:
        size = roles[size.follows].sizes[0]
    if size.dimension is None:
        message = f"{size.field} follows neither a dimension nor a role"
        raise ValueError(message)
    return size.dimension


def _rule(size: RoleSize, values: Mapping[str, float]) -> SizeRule:
    """Put the figures the department has set into a rule that names them."""
    rule = size.rule
    if size.offset_default is not None:
        rule = replace(rule, offset_mm=values[size.offset_default])
    if size.bound_default is not None and rule.bands:
        first = Band(values[size.bound_default], rule.bands[0].size_mm)
        rule = replace(rule, bands=(first, *rule.bands[1:]))
    return rule


def _sizes_made(size: RoleSize, fits: Sequence[ItemFacts]) -> tuple[float, ...]:
    values = (getattr(item, size.field) for item in fits)
    return tuple(sorted({float(value) for value in values if value is not None}))


def _line(
    role: Role,
    setting: _Setting,
    fits: Sequence[ItemFacts],
    sizes: Mapping[str, float | None],
    *,
    why: str,
) -> Line:
    def sized(item: ItemFacts) -> bool:
        return all(getattr(item, field) == value for field, value in sizes.items())

    serving = [item for item in fits if sized(item)]
    if any(value is None for value in sizes.values()):
        serving = []
    system = setting.part.system if "system" in role.match else None
    label = f"{system} {role.role}" if system else role.role
    if serving and (role.sizes or len(serving) == 1):
        label = f"{label} {describe_size(serving[0])}".strip()
    elif not serving:
        label += _wanted(role, setting, fits, sizes)
    what = "implant"
    if role.is_instrument_set:
        what = "instrument set"
    elif role.is_consumable:
        what = "consumable"
    return Line(
        role.role,
        label,
        tuple(sorted(item.ref for item in serving)),
        1,
        why,
        IN_ROOM,
        what,
        is_sized=bool(role.sizes),
        other_side=_others(role, setting, sizes, free="side"),
        other_head=_others(role, setting, sizes, free="head_design"),
    )


def _wanted(
    role: Role,
    setting: _Setting,
    fits: Sequence[ItemFacts],
    sizes: Mapping[str, float | None],
) -> str:
    """Say what would be needed of a size that is not made, and what is made."""
    said = []
    for size in role.sizes:
        value, made = sizes[size.field], _sizes_made(size, fits)
        name = size.field.removesuffix("_mm")
        if value is not None:
            said.append(f"{name} {value:g} mm")
        else:
            mean = setting.dimensions[_dimension(size, setting.roles)].estimate.mean_mm
            range_made = f"{name} made {made[0]:g} to {made[-1]:g} mm" if made else "none made"
            said.append(f"for a measure of {mean:.0f} mm ({range_made})")
    return f" {', '.join(said)}" if said else ""


def _others(
    role: Role, setting: _Setting, sizes: Mapping[str, float | None], *, free: str
) -> tuple[str, ...]:
    """Find items that would serve but for their side, or but for their head design."""
    if free == "side":
        loose = replace(role, match=role.match - {"side"})
    else:
        where = tuple(condition for condition in role.where if condition.field != free)
        loose = replace(role, where=where)
    if loose == role or None in sizes.values():
        return ()
    return tuple(
        sorted(
            item.ref
            for item in setting.of_kinds(role)
            if _fits(item, loose, setting)
            and not _fits(item, role, setting)
            and all(getattr(item, field) == value for field, value in sizes.items())
        )
    )


_WORDS = {
    "length_mm": ("shorter", "longer"),
    "diameter_mm": ("thinner", "thicker"),
}
_COUNTS = {1: "one", 2: "two", 3: "three"}


def _neighbours(
    role: Role,
    size: RoleSize,
    setting: _Setting,
    fits: Sequence[ItemFacts],
    sizes: Mapping[str, float | None],
) -> Iterator[Line]:
    middle = sizes[size.field]
    if not size.cover or middle is None:
        return
    made = _sizes_made(size, fits)
    steps = setting.dimensions[_dimension(size, setting.roles)].sizes_either_side
    for neighbour in cover(middle, made, steps):
        if neighbour == middle:
            continue
        line = _line(role, setting, fits, {**sizes, size.field: neighbour}, why="")
        if line.refs:
            away = abs(made.index(neighbour) - made.index(middle))
            word = _WORDS.get(size.field, ("smaller", "larger"))[neighbour > middle]
            why = f"{_COUNTS.get(away, str(away))} {word}"
            place = IN_ROOM if setting.is_primary else ON_SHELF
            yield replace(line, quantity=role.usual_quantity, why=why, place=place)


def _spares(role: Role, lines: Sequence[Line]) -> Iterator[Line]:
    first = lines[0]
    if first.what == "implant" and first.is_sized and role.largest_quantity == 1 and first.refs:
        yield replace(first, why="spare: no alternate replaces it", place=IN_ROOM, is_nominal=False)


def _merge_instrument_sets(lines: Sequence[Line]) -> Iterator[Line]:
    """Keep one line for an instrument set that two parts of a construct share."""
    seen: set[tuple[str, ...]] = set()
    for line in lines:
        if line.what == "instrument set":
            if line.refs and line.refs in seen:
                continue
            seen.add(line.refs)
        yield line
