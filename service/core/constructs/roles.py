"""The size each role of one part is planned in, and the catalogue lines that have that size."""

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain

from service.core.catalogue import ItemFacts
from service.core.constructs.planned import ConstructPart
from service.core.constructs.templates import Role, RoleSize, fits_role
from service.core.sizing import (
    SizeBand,
    SizedRole,
    SizeRule,
    chosen_size,
    followed_size,
)
from service.core.sizing.film import Dimension

#: The size chosen for each sized column of a role; ``None`` when it is not made.
Sizes = Mapping[str, float | None]


class Catalogue(dict[str, list[ItemFacts]]):
    """Catalogue lines by kind; remembers what a role saw of it, because many cases ask alike.

    Its lines do not change once a role has looked at them.
    """

    def __init__(self, items: Iterable[ItemFacts]) -> None:
        super().__init__()
        self.seen: dict[tuple[Role, ConstructPart, str], RoleItems] = {}
        for item in items:
            self.setdefault(item.kind, []).append(item)


@dataclass(frozen=True, slots=True)
class PartSizing:
    """What every role of one part is sized and matched with.

    Parameters
    ----------
    roles
        The roles of the part's template, by name.
    side
        The side of the case, ``left`` or ``right``.
    catalogue
        Every catalogue line.
    dimensions
        Estimates by dimension.
    values
        The sizing defaults in force, by key.
    """

    part: ConstructPart
    roles: Mapping[str, Role]
    side: str
    catalogue: Catalogue
    dimensions: Mapping[str, Dimension]
    values: Mapping[str, float]

    def length_of(self, size: RoleSize) -> str:
        """Follow the leaders to the length a size ends in; templates have no rings."""
        while size.follows is not None:
            size = self.roles[size.follows].sizes[0]
        if size.dimension is None:
            message = f"{size.field} follows neither a dimension nor a role"
            raise ValueError(message)
        return size.dimension

    def dimension_of(self, size: RoleSize) -> Dimension:
        """Return what is known of the length a size ends in."""
        return self.dimensions[self.length_of(size)]

    def fitting(self, role: Role) -> list[ItemFacts]:
        """Return the catalogue lines that fill a role, whatever their size."""
        part = self.part
        items = chain.from_iterable(self.catalogue.get(kind, ()) for kind in role.kinds)
        return [
            item
            for item in items
            if fits_role(item, role, system=part.system, angle_deg=part.angle_deg, side=self.side)
        ]

    def rule_of(self, size: RoleSize) -> SizeRule:
        """Put the figures the department has set into a rule that names them."""
        rule = size.rule
        if size.offset_default is not None:
            rule = replace(rule, offset_mm=self.values[size.offset_default])
        if size.bound_default is not None and rule.bands:
            first = SizeBand(self.values[size.bound_default], rule.bands[0].size_mm)
            rule = replace(rule, bands=(first, *rule.bands[1:]))
        return rule


_BySize = Mapping[tuple[float | None, ...], Sequence[ItemFacts]]


@dataclass(frozen=True, slots=True)
class RoleItems:
    """The catalogue as one role sees it: what fills it, and what misses by one thing only.

    Each is sorted by size once, because a role asks again for every neighbouring size. `made` has
    the sizes of each column, `made_together` those that one item has.
    """

    role: Role
    made: Mapping[str, tuple[float, ...]]
    made_together: tuple[tuple[float, ...], ...]
    _serving: _BySize
    _other_side: _BySize
    _other_head: _BySize

    def serving(self, sizes: Sizes) -> Sequence[ItemFacts]:
        """Return the items that fill the role in these sizes; none when one is not made."""
        return _of_size(self._serving, sizes)

    def groups(self) -> Iterable[Sequence[ItemFacts]]:
        """Return the items of every size there is, size by size."""
        return self._serving.values()

    def other_side(self, sizes: Sizes) -> tuple[str, ...]:
        """Return references that would serve but for their side."""
        return _refs(_of_size(self._other_side, sizes))

    def other_head(self, sizes: Sizes) -> tuple[str, ...]:
        """Return references that would serve but for their head design."""
        return _refs(_of_size(self._other_head, sizes))

    def sized_role(
        self, size: RoleSize, setting: PartSizing, named: Callable[[str, str], str]
    ) -> SizedRole:
        """Say how one size follows; `named` makes one name of a role and a field."""
        leader = None
        if size.follows is not None:
            leader = named(size.follows, setting.roles[size.follows].sizes[0].field)
        name = named(self.role.role, size.field)
        return SizedRole(name, setting.rule_of(size), self.made[size.field], leader)

    def planned_sizes(self, setting: PartSizing, chosen: Mapping[str, Sizes]) -> Sizes:
        """Choose the size expected of each column; `chosen` has the roles before this one."""
        return {size.field: self._planned_size(size, setting, chosen) for size in self.role.sizes}

    def _planned_size(
        self, size: RoleSize, setting: PartSizing, chosen: Mapping[str, Sizes]
    ) -> float | None:
        made, rule = self.made[size.field], setting.rule_of(size)
        if not made:
            return None
        if size.follows is not None:
            return followed_size(_first(chosen[size.follows]), rule, made)
        # Where the length is expected, not where most of its distribution falls: beyond the last
        # size made the whole tail falls on that one size.
        return chosen_size(setting.dimension_of(size).estimate.mean_mm, rule, made)


def role_items(role: Role, setting: PartSizing) -> RoleItems:
    """Sort the catalogue lines of a role by size.

    Parameters
    ----------
    role
        The role.
    setting
        What its part is matched with.

    Returns
    -------
    RoleItems
        What fills the role, and what misses by its side or its head design only.

    Notes
    -----
    Source: none needed.

    Examples
    --------
    >>> screws = [ItemFacts("A", "set_screw", system="Demo"), ItemFacts("B", "set_screw")]
    >>> role = Role("set screw", ("set_screw",), match=frozenset({"system"}))
    >>> setting = PartSizing(ConstructPart("t", "Demo"), {}, "left", Catalogue(screws), {}, {})
    >>> [item.ref for item in role_items(role, setting).serving({})]
    ['A']
    """
    key = (role, setting.part, setting.side)
    if key not in setting.catalogue.seen:
        setting.catalogue.seen[key] = _role_items(role, setting)
    return setting.catalogue.seen[key]


def _role_items(role: Role, setting: PartSizing) -> RoleItems:
    fits = setting.fitting(role)
    fields = [size.field for size in role.sizes]
    own = {item.ref for item in fits}

    def missing_by(loose: Role) -> _BySize:
        if loose == role:
            return {}
        return _by_size((one for one in setting.fitting(loose) if one.ref not in own), fields)

    any_head = tuple(condition for condition in role.where if condition.field != "head_design")
    serving = _by_size(fits, fields)
    return RoleItems(
        role,
        {field: _sizes_made(field, fits) for field in fields},
        tuple(
            tuple(size for size in sizes if size is not None)
            for sizes in serving
            if sizes and None not in sizes
        ),
        serving,
        missing_by(replace(role, match=role.match - {"side"})),
        missing_by(replace(role, where=any_head)),
    )


def _by_size(items: Iterable[ItemFacts], fields: Sequence[str]) -> _BySize:
    sorted_by_size = defaultdict(list)
    for item in items:
        sorted_by_size[tuple(getattr(item, field) for field in fields)].append(item)
    return sorted_by_size


def _of_size(by_size: _BySize, sizes: Sizes) -> Sequence[ItemFacts]:
    key = tuple(sizes.values())
    return () if None in key else by_size.get(key, ())


def _refs(items: Iterable[ItemFacts]) -> tuple[str, ...]:
    return tuple(sorted(item.ref for item in items))


def _sizes_made(field: str, items: Iterable[ItemFacts]) -> tuple[float, ...]:
    values = (getattr(item, field) for item in items)
    return tuple(sorted({float(value) for value in values if value is not None}))


def _first(sizes: Sizes) -> float | None:
    # What follows a role follows the first of its sizes (see `PartSizing.dimension_of`).
    return next(iter(sizes.values()))


def wanted_words(items: RoleItems, setting: PartSizing, chosen: Mapping[str, Sizes]) -> str:
    """Say what is wanted of a role that nothing fills, and what is made instead.

    Parameters
    ----------
    items
        The role and what is made of it.
    setting
        What its part is sized with.
    chosen
        The sizes chosen so far, by role; this role's among them.

    Returns
    -------
    str
        Words to follow the role's name; empty for a role without sizes, angle and side.

    Notes
    -----
    Source: none needed.

    Examples
    --------
    >>> role = Role("buttress plate", ("buttress_plate",), match=frozenset({"side"}))
    >>> setting = PartSizing(ConstructPart("t"), {}, "left", Catalogue([]), {}, {})
    >>> wanted_words(role_items(role, setting), setting, {"buttress plate": {}})
    'left'
    """
    return ", ".join([*_sizes_wanted(items, setting, chosen), *_matches(items.role, setting)])


def _matches(role: Role, setting: PartSizing) -> Iterator[str]:
    if "angle" in role.match and setting.part.angle_deg is not None:
        yield f"{setting.part.angle_deg:g}°"
    if "side" in role.match:
        yield setting.side


def _sizes_wanted(
    items: RoleItems, setting: PartSizing, chosen: Mapping[str, Sizes]
) -> Iterator[str]:
    for size in items.role.sizes:
        value, made = chosen[items.role.role][size.field], items.made[size.field]
        if value is not None:
            yield f"{_name(size.field)} {value:g}{_unit(size.field)}"
            continue
        if size.follows is None:
            asked = f"for a measurement of {setting.dimension_of(size).estimate.mean_mm:.0f} mm"
        else:
            leader = _first(chosen[size.follows])
            said = "that is not made" if leader is None else f"of {leader:g} mm"
            asked = f"to go with a {size.follows} {said}"
        yield f"{asked} ({_range_made(size.field, made)})"


def _range_made(field: str, made: Sequence[float]) -> str:
    if not made:
        return "none made"
    return f"{_name(field)} made {made[0]:g} to {made[-1]:g}{_unit(field)}"


def _name(field: str) -> str:
    return field.removesuffix("_mm").replace("_", " ")


def _unit(field: str) -> str:
    return " mm" if field.endswith("_mm") else ""
