"""How probable it is that what was found for a construct has the sizes it turns out to need."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

from service.core.constructs.sizes_needed import implant_name
from service.core.cover.results import ImplantSizes, LineCheck, SizesFound, SizesToCheck
from service.core.sizing import held_probability
from service.core.sizing.sizes_held import PackSizes


def sizes_found(to_check: SizesToCheck, lines: Sequence[LineCheck]) -> SizesFound:
    """Work out how probable it is that the sizes needed are among those found.

    Parameters
    ----------
    to_check
        What the sizes of the construct are checked by.
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
    >>> sizes_found(SizesToCheck(), []).probability
    1.0
    """
    needed = to_check.needed
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
    probability = held_probability(needed, held)
    is_enough = probability >= to_check.covered_probability
    return SizesFound(probability, alone, is_enough, to_check.is_measured, to_check.racks)


def forgive_further(lines: Sequence[LineCheck], found: SizesFound) -> tuple[LineCheck, ...]:
    """Leave out further sizes that are not there, unless it is they that are missed.

    A size brought on top of the trade's rule makes the right one more probable. Without it the
    construct is short of nothing, as long as that is probable enough; where it is not and nothing
    else is missing, what is not there stays as a gap, so that somebody can get it.

    Parameters
    ----------
    lines
        The lines of a construct with what was found.
    found
        How probable it is that the sizes needed are among that.

    Returns
    -------
    tuple of LineCheck
        The lines; what was found of a size in part stays, without its gap.

    Notes
    -----
    Source: none needed.

    Examples
    --------
    >>> forgive_further([], SizesFound())
    ()
    """
    others_short = any(one.gap is not None and not one.line.is_further for one in lines)
    if not found.is_enough and not others_short:
        return tuple(lines)
    kept = []
    for one in lines:
        if one.gap is None or not one.line.is_further:
            kept.append(one)
        elif one.picks:
            kept.append(replace(one, gap=None))
    return tuple(kept)
