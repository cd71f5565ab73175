"""What decides which sizes a planned construct needs: its lengths, and what hangs on each."""

from collections.abc import Mapping

from service.core.constructs.planned import PlannedConstruct
from service.core.constructs.roles import Catalogue, PartSizing, role_items
from service.core.constructs.templates import Template
from service.core.sizing import (
    SizedImplant,
    SizedLength,
    SizedRole,
    SizesNeeded,
    linked_lengths,
)
from service.core.sizing.film import Dimension


def implant_name(part: str, role: str) -> str:
    """Name an implant among all of its construct: two parts may name a role alike.

    Examples
    --------
    >>> implant_name("sliding-hip-screw", "lag screw")
    'sliding-hip-screw: lag screw'
    """
    return f"{part}: {role}"


def sizes_needed(
    construct: PlannedConstruct,
    *,
    templates: Mapping[str, Template],
    side: str,
    catalogue: Catalogue,
    dimensions: Mapping[str, Dimension],
    values: Mapping[str, float],
) -> SizesNeeded:
    """Say what decides which sizes a construct needs.

    Parameters
    ----------
    construct, templates, side, catalogue, dimensions, values
        As `construct_lines` takes them.

    Returns
    -------
    SizesNeeded
        Its implants are named by `implant_name`, and their sizes stand in the template's order.

    Notes
    -----
    Source: none needed.

    Examples
    --------
    >>> from service.core.constructs.planned import ConstructPart
    >>> plan = PlannedConstruct((ConstructPart("w"),))
    >>> sizes_needed(plan, templates={"w": Template("w", "Wire", "add_on", ())}, side="left",
    ...              catalogue=Catalogue([]), dimensions={}, values={}).implants
    ()
    """
    sized: dict[str, list[SizedRole]] = {}
    implants: list[SizedImplant] = []
    for part in construct.parts:
        roles = {role.role: role for role in templates[part.template].roles}
        setting = PartSizing(part, roles, side, catalogue, dimensions, values)

        def named(role: str, field: str, part: str = part.template) -> str:
            return f"{implant_name(part, role)} {field}"

        for role in roles.values():
            items = role_items(role, setting)
            for size in role.sizes:
                own = items.sized_role(size, setting, named)
                sized.setdefault(setting.length_of(size), []).append(own)
            if role.sizes:
                names = tuple(named(role.role, size.field) for size in role.sizes)
                implants.append(SizedImplant(implant_name(part.template, role.role), names))
    return SizesNeeded(
        tuple(SizedLength(key, dimensions[key].estimate, tuple(own)) for key, own in sized.items()),
        tuple(implants),
        linked_lengths({key: dimensions[key] for key in sized}),
    )
