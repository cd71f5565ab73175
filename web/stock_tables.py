"""Sizes of one kind in tables as the trade reads them: a size down, what it comes in across.

Nails: diameter and length by angle, a table for each side. Screws: length by diameter, head
design and thread. Plates: holes by angle and barrel. Everything else is a list.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from service.core.items import NAIL_KINDS
from service.operations.schemas.stock_view import SizeOut
from web.pictures.grid import Grid, SizeStock, size_grid

__all__ = ["StockTable", "tables_of"]

_SCREWS = frozenset(
    {
        *("lag_screw", "antirotation_screw", "helical_blade", "distal_locking_screw"),
        *("cortical_screw", "cancellous_screw"),
    }
)
_PLATES = frozenset({"side_plate", "buttress_plate"})

#: Words to show and values to sort by; the words of one value are always the same.
Axis = tuple[tuple[float, ...], str]


@dataclass(frozen=True, slots=True)
class StockTable:
    """One table of sizes; ``items`` has what there is of every catalogue line in it, by REF."""

    name: str
    grid: Grid
    items: Mapping[str, SizeOut]


def tables_of(sizes: Iterable[SizeOut], *, names_system: bool) -> list[StockTable]:
    """Put sizes of one kind into tables, by system and side.

    Parameters
    ----------
    sizes
        Catalogue lines of one kind, each with what there is of it.
    names_system
        Whether each table says its system.
    """
    groups: dict[tuple[str, str], list[SizeOut]] = {}
    for one in sizes:
        side = one.side if one.kind in NAIL_KINDS and one.side in ("left", "right") else ""
        groups.setdefault((one.system or "", side or ""), []).append(one)
    return [
        _table(system if names_system else "", side, own)
        for (system, side), own in sorted(groups.items(), key=lambda pair: pair[0])
    ]


def _table(system: str, side: str, sizes: Sequence[SizeOut]) -> StockTable:
    downs, acrosses = [_down(one) for one in sizes], [_across(one) for one in sizes]
    rows, columns = sorted(set(downs)), sorted(set(acrosses))
    # The grid sorts by figures: ours are composed, so it is given their places.
    stocks = [
        SizeStock(
            down=float(rows.index(down)),
            across=float(columns.index(across)),
            on_hand=one.promised + one.free,
            promised=one.promised,
            needed=one.needed,
            refs=(one.ref,),
        )
        for one, down, across in zip(sizes, downs, acrosses, strict=True)
    ]
    sides = f"{side or 'either'} side" if sizes[0].kind in NAIL_KINDS else ""
    name = ", ".join(part for part in (system, sides) if part)
    name = name[:1].upper() + name[1:]
    grid = size_grid(stocks, caption=name, down=("size", ""), across=("in", ""))
    named = replace(
        grid,
        corner=_corner(sizes[0].kind),
        heads=tuple(words for _, words in columns),
        rows=tuple(
            replace(row, head=words) for row, (_, words) in zip(grid.rows, rows, strict=True)
        ),
    )
    return StockTable(name, named, {one.ref: one for one in sizes})


def _corner(kind: str) -> str:
    if kind in NAIL_KINDS:
        return "Diameter × length"
    if kind in _SCREWS:
        return "Length"
    return "Holes" if kind in _PLATES else "What"


def _down(one: SizeOut) -> Axis:
    if one.kind in NAIL_KINDS:
        length, across = one.length_mm or 0.0, one.diameter_mm or 0.0
        return (length, across), f"{across:g} × {length:g} mm"
    if one.kind in _SCREWS:
        return (one.length_mm or 0.0,), f"{one.length_mm or 0.0:g} mm"
    if one.kind in _PLATES:
        return (float(one.holes or 0),), f"{one.holes} holes" if one.holes else "no holes"
    return (one.diameter_mm or 0.0, one.length_mm or 0.0), f"{one.description} {one.size}".strip()


def _across(one: SizeOut) -> Axis:
    if one.kind in NAIL_KINDS:
        return (one.angle_deg or 0.0,), f"{one.angle_deg or 0.0:g}°"
    if one.kind in _SCREWS:
        return _screw(one)
    if one.kind in _PLATES:
        angle, barrel = one.angle_deg or 0.0, one.barrel_mm or 0.0
        parts = [
            f"{angle:g}°" if angle else "",
            f"{barrel:g} mm barrel" if barrel else "",
            one.side if one.side in ("left", "right") else "",
        ]
        return (angle, barrel), ", ".join(part for part in parts if part) or "stock"
    return (0.0,), "Stock"


def _screw(one: SizeOut) -> Axis:
    """Say what a screw of a length comes in; a full thread is as long as the screw itself."""
    thread_mm = one.thread_length_mm if one.thread == "partly" else None
    parts = [
        f"{one.diameter_mm:g} mm" if one.diameter_mm else "",
        one.head_design or "",
        f"{one.thread} threaded" if one.thread else "",
        f"{thread_mm:g} mm thread" if thread_mm else "",
    ]
    words = ", ".join(part for part in parts if part) or "Stock"
    return (one.diameter_mm or 0.0, float(one.thread == "fully"), thread_mm or 0.0), words
