"""What a planned construct asks of the shelf: one line for each role and size to bring.

The nominal size is the one expected; neighbours are brought because a film only estimates.
A size that is not made stays in the list as such: it is a gap nobody can fill from a shelf.
"""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain

from service.core.catalogue import (
    CONSUMABLE_KINDS,
    INSTRUMENT_SET_KINDS,
    ItemFacts,
    describe_shared_size,
)
from service.core.constructs.planned import ConstructPart, PlannedConstruct
from service.core.constructs.roles import (
    Catalogue,
    PartSizing,
    RoleItems,
    Sizes,
    role_items,
    wanted_words,
)
from service.core.constructs.sizes_needed import implant_name, sizes_needed
from service.core.constructs.templates import Role, RoleSize, Template
from service.core.sizing import SizesNeeded, fewest_packs, linked_groups, sizes_to_bring
from service.core.sizing.figures import RoomFigures, room_figures
from service.core.sizing.film import Dimension
from service.core.sizing.sizes_held import PackSizes


def by_kind(catalogue: Iterable[ItemFacts]) -> Catalogue:
    """Sort a catalogue by kind, so that a role looks at its own kinds only.

    Examples
    --------
    >>> sorted(by_kind([ItemFacts("A", "washer"), ItemFacts("B", "end_cap")]))
    ['end_cap', 'washer']
    """
    return Catalogue(catalogue)


IMPLANT, INSTRUMENT_SET, CONSUMABLE = "implant", "instrument set", "consumable"

FIRST_USE, IN_ROOM, ON_SHELF = "first use", "in the room", "on its shelf"


@dataclass(frozen=True, slots=True)
class KitLine:
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
        Why it is there: ``nominal``, ``one size longer``, ``up to 3 may be needed``, ``spare`` …
    place
        ``first use``, ``in the room`` or ``on its shelf``.
    what
        ``implant``, ``instrument set`` or ``consumable``.
    is_nominal
        Whether the construct is planned with it; neighbours and spares are not nominal.
    is_sized
        Whether its role has a size that follows from the patient.
    other_side, other_head
        References that differ only in side, or only in head design: they do not serve the line.
    part
        Template of the construct's part it belongs to: two parts may name a role alike. Empty for
        what must be near.
    sizes
        Its sizes in the order of the template; empty without, or when the size is not made.
    is_further
        Whether it comes on top of one size either side, to make the size needed more probable.
    steps_away
        How many sizes it is away from the nominal one; 0 for the nominal size itself.
    name
        Its role, with the system where it has one, without a size; empty: the role.
    """

    role: str
    label: str
    refs: tuple[str, ...]
    quantity: int
    why: str
    place: str
    what: str = IMPLANT
    is_nominal: bool = False
    is_sized: bool = False
    other_side: tuple[str, ...] = ()
    other_head: tuple[str, ...] = ()
    part: str = ""
    sizes: tuple[float, ...] = ()
    is_further: bool = False
    steps_away: int = 0
    name: str = ""


def construct_lines(
    construct: PlannedConstruct,
    *,
    templates: Mapping[str, Template],
    side: str,
    catalogue: Mapping[str, Sequence[ItemFacts]],
    dimensions: Mapping[str, Dimension],
    values: Mapping[str, float],
    is_primary: bool,
    with_spares: Collection[ConstructPart] = (),
) -> tuple[KitLine, ...]:
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
        Parts that get one spare of each sized implant taken once: nothing else in the room replaces
        it, see ``parts_in_all``.

    Returns
    -------
    tuple of KitLine
        In template order; nominal first, then neighbours from small to large, then spares.

    Notes
    -----
    One size either side, two on an uncalibrated film, at the least; then the fewest packs that
    make it probable enough that the size needed is among them (`fewest_packs`). Never the only
    one of a size without a spare or a complete alternate in the room. Source: common practice.

    Examples
    --------
    >>> wire = Template("w", "Wire", "add_on", (Role("cerclage wire", ("cerclage_wire",)),))
    >>> lines = construct_lines(PlannedConstruct((ConstructPart("w"),)), templates={"w": wire},
    ...     side="left", catalogue=by_kind([ItemFacts("W1", "cerclage_wire", diameter_mm=1.25)]),
    ...     dimensions={}, values={}, is_primary=True)
    >>> lines[0].label, lines[0].why
    ('cerclage wire 1.25 mm', 'nominal')
    """
    if not isinstance(catalogue, Catalogue):
        catalogue = Catalogue(chain.from_iterable(catalogue.values()))
    planned = _planned_roles(
        construct,
        templates=templates,
        side=side,
        catalogue=catalogue,
        dimensions=dimensions,
        values=values,
    )
    needed = sizes_needed(
        construct,
        templates=templates,
        side=side,
        catalogue=catalogue,
        dimensions=dimensions,
        values=values,
    )
    place = IN_ROOM if is_primary else ON_SHELF
    usual = {one.name: (one.nominal_line(), *_neighbours(one, place)) for one in planned}
    further = _further_sizes(planned, usual, needed, room_figures(values))
    lines: list[KitLine] = []
    for one in planned:
        nominal, *neighbours = usual[one.name]
        lines += _quantities(nominal, one.items.role, is_primary=is_primary)
        lines += neighbours
        lines += [one.line_of_pack(sizes, place) for sizes in further[one.name]]
        if one.setting.part in with_spares:
            lines += _spares(nominal, one.items.role)
    return tuple(_merge_instrument_sets(lines))


def near_line(kind: str, reason: str, catalogue: Mapping[str, Sequence[ItemFacts]]) -> KitLine:
    """Make the line for something that must be near though no construct takes it.

    Parameters
    ----------
    kind
        An item kind, such as ``extraction_set``.
    reason
        Why it must be near, in a few words.

    Returns
    -------
    KitLine
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
    why = f"have available: {reason}"
    return KitLine(name, name, refs, 1, why, ON_SHELF, what, is_nominal=True)


def _what(kinds: Iterable[str]) -> str:
    if INSTRUMENT_SET_KINDS.issuperset(kinds):
        return INSTRUMENT_SET
    return CONSUMABLE if CONSUMABLE_KINDS.issuperset(kinds) else IMPLANT


@dataclass(frozen=True, slots=True)
class _PlannedRole:
    """One role of one part: what fills it, and the sizes chosen for every role of the part."""

    items: RoleItems
    setting: PartSizing
    chosen: Mapping[str, Sizes]

    @property
    def name(self) -> str:
        return implant_name(self.setting.part.template, self.items.role.role)

    @property
    def sizes(self) -> Sizes:
        """The nominal sizes."""
        return self.chosen[self.items.role.role]

    def nominal_line(self) -> KitLine:
        line = self.line_of(self.sizes, "nominal")
        if not line.refs:
            words = wanted_words(self.items, self.setting, self.chosen)
            line = replace(line, label=f"{line.label} {words}".strip())
        return line

    def line_of(
        self,
        sizes: Sizes,
        why: str,
        place: str = IN_ROOM,
        steps_away: int = 0,
        *,
        is_further: bool = False,
    ) -> KitLine:
        role, serving = self.items.role, self.items.serving(sizes)
        system = self.setting.part.system if "system" in role.match else None
        name = label = f"{system} {role.role}" if system else role.role
        if len(serving) == 1 or (serving and role.sizes):
            label = f"{name} {describe_shared_size(serving)}".strip()
        return KitLine(
            role=role.role,
            label=label,
            name=name,
            refs=tuple(sorted(item.ref for item in serving)),
            quantity=role.usual_quantity,
            why=why,
            place=place,
            what=_what(role.kinds),
            is_sized=bool(role.sizes),
            other_side=self.items.other_side(sizes),
            other_head=self.items.other_head(sizes),
            part=self.setting.part.template,
            sizes=tuple(size for size in sizes.values() if size is not None) if serving else (),
            is_further=is_further,
            steps_away=steps_away,
        )

    def line_of_pack(self, sizes: PackSizes, place: str) -> KitLine:
        """Return the line of a pack that is brought on top of the trade's rule."""
        fields = [size.field for size in self.items.role.sizes]
        steps = [
            _steps(self, size, other, nominal)
            for size, other in zip(self.items.role.sizes, sizes, strict=True)
            if size.cover and (nominal := self.sizes[size.field]) is not None
        ]
        return self.line_of(
            dict(zip(fields, sizes, strict=True)),
            why=", ".join(_differences(self, sizes)),
            place=place,
            steps_away=max(steps, default=0),
            is_further=True,
        )


def _planned_roles(
    construct: PlannedConstruct,
    *,
    templates: Mapping[str, Template],
    side: str,
    catalogue: Catalogue,
    dimensions: Mapping[str, Dimension],
    values: Mapping[str, float],
) -> list[_PlannedRole]:
    planned = []
    for part in construct.parts:
        roles = {role.role: role for role in templates[part.template].roles}
        setting = PartSizing(part, roles, side, catalogue, dimensions, values)
        chosen: dict[str, Sizes] = {}
        for role in roles.values():
            items = role_items(role, setting)
            chosen[role.role] = items.planned_sizes(setting, chosen)
            planned.append(_PlannedRole(items, setting, chosen))
    return planned


def _quantities(nominal: KitLine, role: Role, *, is_primary: bool) -> Iterator[KitLine]:
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


def _neighbours(one: _PlannedRole, place: str) -> Iterator[KitLine]:
    """Ask for the sizes either side, as far as each is made with the role's other sizes."""
    if not one.items.serving(one.sizes):
        return
    for size in one.items.role.sizes:
        middle = one.sizes[size.field]
        if not size.cover or middle is None:
            continue
        either_side = one.setting.dimension_of(size).sizes_either_side
        for neighbour in sizes_to_bring(middle, one.items.made[size.field], either_side):
            sizes = {**one.sizes, size.field: neighbour}
            if neighbour != middle and one.items.serving(sizes):
                why, steps = (
                    _away(one, size, neighbour, middle),
                    _steps(one, size, neighbour, middle),
                )
                yield one.line_of(sizes, why, place, steps)


def _further_sizes(
    planned: Sequence[_PlannedRole],
    usual: Mapping[str, Sequence[KitLine]],
    needed: SizesNeeded,
    figures: RoomFigures,
) -> Mapping[str, Sequence[PackSizes]]:
    """Choose the fewest further packs with which the size needed is probable enough.

    Implants whose sizes hang on the same length are judged together: a shorter lag screw is worth
    nothing without the plate of its barrel.
    """
    by_name = {one.name: one for one in planned}
    further: dict[str, list[PackSizes]] = {name: [] for name in by_name}
    for group in linked_groups(replace(needed, links=())):
        roles = [by_name[implant.name] for implant in group.implants]
        if not all(one.items.serving(one.sizes) for one in roles):
            continue
        least = {(one.name, line.sizes) for one in roles for line in usual[one.name]}
        made = {(one.name, sizes) for one in roles for sizes in one.items.made_together}
        chosen = fewest_packs(
            group, least, made, target=figures.listed_probability, most=figures.added_at_most
        )
        for name, sizes in sorted(chosen - least):
            further[name].append(sizes)
    return further


def _differences(one: _PlannedRole, sizes: PackSizes) -> Iterator[str]:
    """Say in which way a pack differs from the nominal one."""
    for size, other in zip(one.items.role.sizes, sizes, strict=True):
        nominal = one.sizes[size.field]
        if nominal is None or other == nominal:
            continue
        if size.cover:
            yield _away(one, size, other, nominal)
        else:
            yield f"to match a different {size.follows}"


def _steps(one: _PlannedRole, size: RoleSize, other: float, nominal: float) -> int:
    made = one.items.made[size.field]
    return abs(made.index(other) - made.index(nominal))


def _away(one: _PlannedRole, size: RoleSize, other: float, nominal: float) -> str:
    away = _steps(one, size, other, nominal)
    word = _WORDS.get(size.field, ("smaller", "larger"))[other > nominal]
    return f"{_COUNTS.get(away, str(away))} {'size' if away == 1 else 'sizes'} {word}"


def _spares(nominal: KitLine, role: Role) -> Iterator[KitLine]:
    if nominal.what == IMPLANT and role.sizes and role.largest_quantity == 1 and nominal.refs:
        yield replace(nominal, quantity=1, why="spare: no backup can replace it")


def _merge_instrument_sets(lines: Iterable[KitLine]) -> list[KitLine]:
    """Keep one line for an instrument set that two parts of a construct share."""
    merged: list[KitLine] = []
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
