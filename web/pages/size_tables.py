"""Sizes of one kind of item as small tables: which run down, which across, and how deep a shade."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from service.core.catalogue import NAIL_KINDS
from service.schemas.stock import SizeStockOut

#: The fewest free units of each shade above 0.
_SHADES = (1, 2, 3, 4, 6)


_SCREWS = frozenset(
    {
        *("lag_screw", "antirotation_screw", "helical_blade", "distal_locking_screw"),
        *("cortical_screw", "cancellous_screw"),
    }
)


_PLATES = frozenset({"side_plate", "buttress_plate"})


#: Values to sort by, and the words that are shown for them.
Axis = tuple[tuple[float, ...], str]


@dataclass(frozen=True, slots=True)
class SizeTable:
    """A table of sizes.

    Parameters
    ----------
    name
        What its sizes have in common; empty when it is the only table.
    corner
        What runs down.
    heads
        The columns.
    rows
        The name of each row, and for each column the catalogue lines of that size: none where it
        is not made.
    """

    name: str
    corner: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, tuple[tuple[SizeStockOut, ...], ...]], ...]


def shade_of(free: int) -> int:
    """Return the shade of a number of free units: 0, 1, 2, 3, 4 from four, 5 from six on."""
    return sum(free >= fewest for fewest in _SHADES)


def tables_of(sizes: Iterable[SizeStockOut]) -> dict[str, list[SizeTable]]:
    """Put sizes of one kind into tables, under the heading each group of them stands under.

    Nails of several systems stand under the systems' names, with a table for each angle and side,
    length down and diameter across. Where a side has nails of one length only, its angles share a
    table. Anything else has a table for each system.
    """
    systems: dict[str, list[SizeStockOut]] = {}
    for one in sizes:
        systems.setdefault(one.system or "", []).append(one)
    own_name = len(systems) > 1
    groups: dict[str, list[SizeTable]] = {}
    for system, own in sorted(systems.items()):
        name = (system or "Any system") if own_name else ""
        if own[0].kind in NAIL_KINDS:
            groups[name] = _nails(own)
        else:
            groups.setdefault("", []).append(_others(name, own))
    return groups


def _nails(nails: Sequence[SizeStockOut]) -> list[SizeTable]:
    sides: dict[str, list[SizeStockOut]] = {}
    for one in nails:
        sides.setdefault(one.side or "either", []).append(one)
    tables: list[tuple[tuple[bool, float, str], SizeTable]] = []
    for side, own in sides.items():
        words = f"{side} side" if side == "either" else side
        lengths = {one.length_mm for one in own}
        if len(lengths) == 1:
            name = f"{own[0].length_mm or 0:g} mm, {words}"
            tables.append(((True, 0.0, side), _table(name, "Angle", own, _angle, _diameter)))
            continue
        for angle in {one.angle_deg or 0.0 for one in own}:
            alike = [one for one in own if (one.angle_deg or 0.0) == angle]
            table = _table(f"{angle:g}°, {words}", "Length", alike, _length, _diameter)
            tables.append(((False, angle, side), table))
    return [table for _, table in sorted(tables, key=lambda pair: (not pair[0][0], *pair[0][1:]))]


def _others(name: str, sizes: Sequence[SizeStockOut]) -> SizeTable:
    kind = sizes[0].kind
    if kind in _SCREWS:
        return _table(name, "Length", sizes, _length, _screw)
    if kind in _PLATES:
        return _table(name, "Holes", sizes, _holes, _plate)
    return _table(name, "Item", sizes, _described, lambda _: ((0.0,), "Free"))


def _table(
    name: str,
    corner: str,
    sizes: Sequence[SizeStockOut],
    down: Callable[[SizeStockOut], Axis],
    across: Callable[[SizeStockOut], Axis],
) -> SizeTable:
    cells: dict[tuple[Axis, Axis], list[SizeStockOut]] = {}
    for one in sizes:
        cells.setdefault((down(one), across(one)), []).append(one)
    rows, columns = sorted({key[0] for key in cells}), sorted({key[1] for key in cells})
    return SizeTable(
        name,
        corner,
        tuple(words for _, words in columns),
        tuple((row[1], tuple(_lines(cells, row, column) for column in columns)) for row in rows),
    )


def _lines(
    cells: Mapping[tuple[Axis, Axis], Sequence[SizeStockOut]], row: Axis, column: Axis
) -> tuple[SizeStockOut, ...]:
    return tuple(cells.get((row, column), ()))


def _length(one: SizeStockOut) -> Axis:
    return (one.length_mm or 0.0,), f"{one.length_mm or 0.0:g} mm"


def _diameter(one: SizeStockOut) -> Axis:
    return (one.diameter_mm or 0.0,), f"{one.diameter_mm or 0.0:g} mm"


def _angle(one: SizeStockOut) -> Axis:
    return (one.angle_deg or 0.0,), f"{one.angle_deg or 0.0:g}°"


def _holes(one: SizeStockOut) -> Axis:
    return (float(one.holes or 0),), f"{one.holes} holes" if one.holes else "no holes"


def _described(one: SizeStockOut) -> Axis:
    words = f"{one.description} {one.size}".strip()
    return (one.diameter_mm or 0.0, one.length_mm or 0.0), words


def _plate(one: SizeStockOut) -> Axis:
    angle, barrel = one.angle_deg or 0.0, one.barrel_mm or 0.0
    parts = [
        f"{angle:g}°" if angle else "",
        f"{barrel:g} mm barrel" if barrel else "",
        one.side if one.side in ("left", "right") else "",
    ]
    return (angle, barrel), ", ".join(part for part in parts if part) or "Free"


def _screw(one: SizeStockOut) -> Axis:
    """Say what a screw of a length comes in; a full thread is as long as the screw itself."""
    thread_mm = one.thread_length_mm if one.thread == "partly" else None
    parts = [
        f"{one.diameter_mm:g} mm" if one.diameter_mm else "",
        one.head_design or "",
        f"{one.thread} threaded" if one.thread else "",
        f"{thread_mm:g} mm thread" if thread_mm else "",
    ]
    words = ", ".join(part for part in parts if part) or "Free"
    return (one.diameter_mm or 0.0, float(one.thread == "fully"), thread_mm or 0.0), words
