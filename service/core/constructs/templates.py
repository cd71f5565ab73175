"""Constructs as data: what a template asks of the catalogue, and how a plan names one.

A template is a list of roles (nail, lag screw, instrument set …). A role says which kinds of item
can fill it, what must match the plan (system, angle, side), how its size follows from a measured
dimension or from another role, and how many are taken. Roles on one dimension share one factor:
the antirotation screw follows the lag screw and both follow the neck.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from service.core.catalogue import ColumnFault, ItemFacts
from service.core.sizing import SizeRule

#: What can be measured or assumed before the operation, and how it is said.
DIMENSIONS: Mapping[str, str] = {
    "neck": "lag screw path in the neck and head",
    "canal": "canal width at the isthmus",
    "femur": "nail length, entry point to distal end",
    "distal": "femoral width at the distal locking hole",
    "shaft": "femoral width under the side plate",
}


@dataclass(frozen=True, slots=True)
class ItemCondition:
    """One column an item must satisfy, whatever the plan: equal, or within bounds (inclusive)."""

    field: str
    equals: str | float | None = None
    at_most: float | None = None
    at_least: float | None = None

    def holds(self, item: ItemFacts) -> bool:
        """Tell whether the item satisfies the condition; an absent column never does."""
        value = getattr(item, self.field)
        if value is None:
            return False
        if self.equals is not None and value != self.equals:
            return False
        if self.at_most is not None and value > self.at_most:
            return False
        return self.at_least is None or value >= self.at_least


@dataclass(frozen=True, slots=True)
class RoleSize:
    """How one column of a role's item follows from a dimension or from another role's size.

    Parameters
    ----------
    field
        The column chosen by (``length_mm``, ``diameter_mm``, ``barrel_mm`` …).
    dimension
        Key of ``DIMENSIONS``, or ``None`` when the size follows another role.
    follows
        The role whose chosen size this one follows, or ``None``.
    rule
        Offset, fit and step.
    offset_default, bound_default
        Names of the settings that give the offset, or the first band's bound, instead of the
        rule; or ``None``.
    cover
        Whether neighbouring sizes are brought too.
    """

    field: str
    dimension: str | None
    follows: str | None
    rule: SizeRule
    offset_default: str | None = None
    bound_default: str | None = None
    cover: bool = True


@dataclass(frozen=True, slots=True)
class Role:
    """One thing a construct takes.

    Parameters
    ----------
    quantity
        Pairs of number taken and probability, in rising number; probabilities sum to 1.
    """

    role: str
    kinds: tuple[str, ...]
    where: tuple[ItemCondition, ...] = ()
    match: frozenset[str] = frozenset()
    quantity: tuple[tuple[int, float], ...] = ((1, 1.0),)
    sizes: tuple[RoleSize, ...] = ()

    @property
    def usual_quantity(self) -> int:
        """The most probable number taken; of equals, the larger."""
        return max(self.quantity, key=lambda pair: (pair[1], pair[0]))[0]

    @property
    def largest_quantity(self) -> int:
        """The largest number that may be taken."""
        return max(number for number, probability in self.quantity if probability > 0)


@dataclass(frozen=True, slots=True)
class Template:
    """A construct as data: a base, or an add-on to a base."""

    code: str
    name: str
    part: str
    roles: tuple[Role, ...]
    note: str = ""

    @property
    def needs_system(self) -> bool:
        """Whether a plan must say which system."""
        return any("system" in role.match for role in self.roles)

    @property
    def needs_angle(self) -> bool:
        """Whether a plan must say which angle."""
        return any("angle" in role.match for role in self.roles)


def fits_role(
    item: ItemFacts,
    role: Role,
    *,
    system: str | None,
    angle_deg: float | None,
    side: str | None,
) -> bool:
    """Tell whether an item can fill a role before its size is looked at.

    Parameters
    ----------
    system, angle_deg, side
        What the plan says; ``None`` leaves that match open.

    Returns
    -------
    bool
        True when kind, conditions and every match hold. A side matches the item's own side or
        an item for either side.

    Examples
    --------
    >>> role = Role("nail", ("two_screw_nail",), match=frozenset({"side"}))
    >>> fits_role(ItemFacts("A", "two_screw_nail", side="left"), role,
    ...           system=None, angle_deg=None, side="right")
    False
    """
    if item.kind not in role.kinds:
        return False
    for condition in role.where:
        if not condition.holds(item):
            return False
    if "system" in role.match and system is not None and item.system != system:
        return False
    if "angle" in role.match and angle_deg is not None and item.angle_deg != angle_deg:
        return False
    return not ("side" in role.match and side is not None and item.side not in (side, "either"))


def systems_for(template: Template, catalogue: Iterable[ItemFacts]) -> tuple[str, ...]:
    """List the systems in which every system-bound role of a template can be filled.

    Returns
    -------
    tuple of str
        Names in alphabetical order; empty when no system has all roles.

    Examples
    --------
    >>> role = Role("lag screw", ("lag_screw",), match=frozenset({"system"}))
    >>> systems_for(Template("t", "T", "base", (role,)),
    ...             [ItemFacts("A", "lag_screw", system="Demo")])
    ('Demo',)
    """
    bound = [role for role in template.roles if "system" in role.match]
    per_role: list[set[str]] = [set() for _ in bound]
    # A catalogue has hundreds of lines, and each is of a kind that few roles take.
    places: dict[str, list[int]] = defaultdict(list)
    for place, role in enumerate(bound):
        for kind in role.kinds:
            places[kind].append(place)
    for item in catalogue:
        for place in places.get(item.kind, ()):
            fits = fits_role(item, bound[place], system=None, angle_deg=None, side=None)
            if fits and item.system:
                per_role[place].add(item.system)
    return tuple(sorted(set.intersection(*per_role))) if per_role else ()


def angles_for(
    template: Template, system: str | None, catalogue: Mapping[str, Sequence[ItemFacts]]
) -> tuple[float, ...]:
    """List the angles in which a role of a template that is bound to one is made.

    Parameters
    ----------
    system
        The system it is planned in; ``None`` leaves it open.
    catalogue
        The catalogue lines by kind.

    Returns
    -------
    tuple of float
        In degrees, rising; empty when no role is bound to an angle.

    Examples
    --------
    >>> role = Role("nail", ("two_screw_nail",), match=frozenset({"angle"}))
    >>> nails = [ItemFacts("A", "two_screw_nail", angle_deg=130)]
    >>> angles_for(Template("t", "T", "base", (role,)), None, {"two_screw_nail": nails})
    (130,)
    """
    return tuple(
        sorted(
            {
                item.angle_deg
                for role in template.roles
                if "angle" in role.match
                for kind in role.kinds
                for item in catalogue.get(kind, ())
                if item.angle_deg is not None
                and fits_role(item, role, system=system, angle_deg=None, side=None)
            }
        )
    )


def unsatisfied(template: Template, catalogue: Sequence[ItemFacts]) -> list[ColumnFault]:
    """Say which roles no catalogue line can fill.

    Returns
    -------
    list of ColumnFault
        One a role that nothing fills; or one for the whole when each role is filled but no
        single system fills all that must match. Empty when the template can be used.
    """
    faults = []
    for place, role in enumerate(template.roles):
        fits = [
            item
            for item in catalogue
            if fits_role(item, role, system=None, angle_deg=None, side=None)
        ]
        if not fits:
            reason = f"no catalogue item is a {' or '.join(role.kinds)}{_conditions(role)}"
            faults.append(ColumnFault(f"/roles/{place}", f"{role.role}: {reason}"))
            continue
        faults += [
            ColumnFault(
                f"/roles/{place}/sizes/{index}",
                f"{role.role}: no matching catalogue item has the column {size.field}",
            )
            for index, size in enumerate(role.sizes)
            if all(getattr(item, size.field) is None for item in fits)
        ]
    if not faults and template.needs_system and not systems_for(template, catalogue):
        faults.append(
            ColumnFault("/roles", "no single system has an item for every role that must match")
        )
    return faults


def _conditions(role: Role) -> str:
    texts = []
    for condition in role.where:
        bounds: list[tuple[str, object]] = [
            ("is", condition.equals),
            ("at most", condition.at_most),
            ("at least", condition.at_least),
        ]
        texts += [
            f"{condition.field} {word} {value}" for word, value in bounds if value is not None
        ]
    return f" with {' and '.join(texts)}" if texts else ""
