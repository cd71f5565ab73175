"""How probable it is that what was found for a construct has the sizes it turns out to need."""

from collections import defaultdict
from collections.abc import Sequence

from service.core.constructs.sizes_needed import implant_name
from service.core.cover.results import ImplantSizes, LineCheck, SizesFound
from service.core.sizing import SizesNeeded, held_probability
from service.core.sizing.sizes_held import PackSizes


def sizes_found(needed: SizesNeeded, lines: Sequence[LineCheck]) -> SizesFound:
    """Work out how probable it is that the sizes needed are among those found.

    Parameters
    ----------
    needed
        What decides which sizes the construct needs.
    lines
        Its lines with what was found; a line that is short counts as not found.

    Returns
    -------
    SizesFound
        Of the whole construct, and of each implant alone in the order of the template.

    Notes
    -----
    Screws of which several are taken are judged by one length. Source: as `held_probability`.

    Examples
    --------
    >>> sizes_found(SizesNeeded((), ()), [])
    SizesFound(probability=1.0, implants=())
    """
    held: dict[str, set[PackSizes]] = defaultdict(set)
    roles: dict[str, str] = {}
    for check in lines:
        name = implant_name(check.line.part, check.line.role)
        roles[name] = check.line.role
        if check.gap is None and check.line.sizes:
            held[name].add(check.line.sizes)
    alone = tuple(
        ImplantSizes(roles[implant.name], held_probability(needed, held, [implant.name]))
        for implant in needed.implants
        if implant.name in roles
    )
    return SizesFound(held_probability(needed, held), alone)
