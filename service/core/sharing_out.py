"""Share units out among lines that can use some of the same ones, but not all.

Filling line by line, first expired first, is enough while lines want the same references or quite
different ones. Where they overlap in part, a line that has a choice may take the only unit of one
that has none; then units are matched to lines all at once.
"""

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence

from service.core.allocation import match
from service.core.lines import Line
from service.core.units import StockUnits

__all__ = ["Share", "overlapping_lines", "share_out"]

#: How many units of each parcel a line may use, by parcel.
Share = Mapping[str, int]


def overlapping_lines(lines: Sequence[Line]) -> tuple[int, ...]:
    """Give the lines that share some references with another line, but not all.

    Parameters
    ----------
    lines
        The lines of one construct; lines without references never overlap.

    Returns
    -------
    tuple of int
        Their places, rising; every line that wants any of the references concerned is among them.

    Examples
    --------
    >>> line = Line("screw", "screw", ("A", "B"), 1, "nominal", "first use")
    >>> other = Line("screw", "screw", ("B",), 1, "nominal", "first use")
    >>> overlapping_lines([line, line]), overlapping_lines([line, other])
    ((), (0, 1))
    """
    wanted: dict[str, set[tuple[str, ...]]] = defaultdict(set)
    for line in lines:
        for ref in line.refs:
            wanted[ref].add(line.refs)
    mixed = {refs for group in wanted.values() if len(group) > 1 for refs in group}
    return tuple(place for place, line in enumerate(lines) if line.refs in mixed)


def share_out(
    lines: Mapping[int, Line],
    usable: Mapping[int, Sequence[StockUnits]],
    available: Callable[[Line, StockUnits], int],
) -> dict[int, Share]:
    """Match units to lines so that as many as possible are found, first expired first.

    Parameters
    ----------
    lines
        Overlapping lines by their place.
    usable
        For each line the parcels that count for it, first expired first.
    available
        How many units of a parcel a line may use.

    Returns
    -------
    dict of int to Share
        For each line how many units of each parcel are meant for it.

    Notes
    -----
    A unit costs its place in the order of expiry, so that of the largest matchings the one that
    uses the oldest stock is taken. Source: minimum-cost bipartite matching, see ``match``.

    Examples
    --------
    >>> either = Line("screw", "screw", ("A", "B"), 1, "nominal", "first use")
    >>> only_a = Line("screw", "screw", ("A",), 1, "nominal", "first use")
    >>> a, b = StockUnits("a", "A", 1), StockUnits("b", "B", 1)
    >>> share_out({0: either, 1: only_a}, {0: [a, b], 1: [a]}, lambda line, parcel: 1)
    {0: {'b': 1}, 1: {'a': 1}}
    """
    demands: list[str] = []
    units: dict[str, str] = {}
    cost: dict[tuple[str, str], int] = {}
    for place, line in lines.items():
        wanted = [f"{place}/{number}" for number in range(line.quantity)]
        demands += wanted
        for rank, parcel in enumerate(usable[place]):
            for number in range(available(line, parcel)):
                unit = f"{parcel.key}/{number}"
                units[unit] = parcel.key
                cost |= {(demand, unit): rank for demand in wanted}
    found = match(demands, list(units), cost)
    shares: dict[int, dict[str, int]] = {place: {} for place in lines}
    for demand, unit in found.served:
        share = shares[int(demand.partition("/")[0])]
        share[units[unit]] = share.get(units[unit], 0) + 1
    return dict(shares)
