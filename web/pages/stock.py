"""Stock: families, the sizes of one family, and everything as a list."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Annotated
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Query, Request
from starlette.responses import RedirectResponse, Response

from service.core.catalogue import CONSUMABLE_KINDS, INSTRUMENT_SET_KINDS, ITEM_KINDS, NAIL_KINDS
from service.exchange.sheets.money import amount_text
from service.operations import catalogue
from service.operations.people.permissions import MOVE_STOCK, READ, may, requires
from service.operations.stock import movements, view
from service.schemas.base import OptionalText
from service.schemas.stock import FamilyOut, SizeStockOut
from web.pictures.charts.sizes import Grid, SizeStock, size_grid
from web.render import page, work_of

router = APIRouter()


_PAGE = 100


_SCREWS_FIRST = frozenset({"lag_screw", "antirotation_screw", "helical_blade"})


_FOUND = 60


@router.get("/stock")
@requires(READ)
def show_stock(
    request: Request,
    kind: Annotated[OptionalText, Query()] = "",
    system: Annotated[OptionalText, Query()] = "",
    text: Annotated[OptionalText, Query()] = "",
) -> Response:
    """Show the families to choose from, the sizes of one, or what a word finds."""
    if kind in INSTRUMENT_SET_KINDS:
        return RedirectResponse("/sets", status_code=303)
    if kind:
        return _show_sizes(request, kind, system)
    if text:
        return _show_found(request, text)
    families, deliveries = work_of(request).read(
        lambda unit: (view.families(unit), movements.list_deliveries(unit).deliveries)
    )
    return page(
        request,
        "stock.html",
        set_kinds=INSTRUMENT_SET_KINDS,
        families=_by_system(families),
        deliveries=deliveries,
    )


def _by_system(families: Sequence[FamilyOut]) -> list[tuple[str, list[FamilyOut]]]:
    """Put families under their systems, each in the order the trade names them."""
    found: dict[str, list[FamilyOut]] = {}
    for one in sorted(families, key=lambda family: _place(family.kind)):
        found.setdefault(one.system or "", []).append(one)
    return sorted(found.items(), key=lambda pair: (not pair[0], pair[0]))


def _place(kind: str) -> tuple[int, str]:
    """Return the place of a kind: what a case is named after, its screws, the rest, instruments."""
    if kind in NAIL_KINDS or kind.endswith("_plate"):
        return 0, kind
    if kind in INSTRUMENT_SET_KINDS:
        return 4, kind
    if kind in CONSUMABLE_KINDS:
        return 3, kind
    return (1 if kind in _SCREWS_FIRST else 2), kind


def _show_sizes(request: Request, kind: str, system: str) -> Response:
    sizes = work_of(request).read(lambda unit: view.sizes_of(unit, kind, system))
    return page(
        request,
        "stock_sizes.html",
        kind=kind,
        system=system,
        tables=tables_of(sizes, names_system=not system),
        list_at=_list_at(kind=kind, system=system),
    )


def _show_found(request: Request, text: str) -> Response:
    found = work_of(request).read(
        lambda unit: catalogue.list_items(
            unit, kind=None, system=None, text=text, after="", limit=_FOUND
        )
    )
    if len(found.items) == 1:
        return RedirectResponse(f"/items/{quote(found.items[0].ref)}", status_code=303)
    return page(
        request, "stock_found.html", text=text, items=found.items, more=found.next_after is not None
    )


@router.get("/stock/list")
@requires(READ)
def show_list(  # noqa: PLR0917 - FastAPI fills the parameters by name
    request: Request,
    kind: Annotated[OptionalText, Query()] = "",
    system: Annotated[OptionalText, Query()] = "",
    store: Annotated[OptionalText, Query()] = "",
    ref: Annotated[OptionalText, Query()] = "",
    after: Annotated[OptionalText, Query()] = "",
) -> Response:
    """Show lots on shelves, filtered, some at a time."""
    work = work_of(request)
    asked = {"kind": kind, "system": system, "store": store, "ref": ref}
    given = {name: value for name, value in asked.items() if value}
    found = work.read(lambda unit: movements.list_stock(unit, **given, after=after, limit=_PAGE))
    return page(
        request,
        "stock_list.html",
        found=found,
        asked=asked,
        kinds=sorted(ITEM_KINDS),
        known=work.read(movements.stock_words),
        first=_list_at(**given) if after else "",
        more=_list_at(**given, after=found.next_after) if found.next_after else "",
    )


def _list_at(**given: str) -> str:
    return f"/stock/list?{urlencode({name: value for name, value in given.items() if value})}"


#: Days from today that can be chosen.
_SPANS = (14, 30, 60, 90, 180)


@router.get("/expiring")
@requires(READ)
def show_expiring(request: Request, days: Annotated[int, Query(ge=0, le=3650)] = 60) -> Response:
    """Show what expires within some days, what has expired already first."""
    work = work_of(request)
    found = work.read(lambda unit: view.expiring(unit, days))
    return page(
        request,
        "expiring.html",
        found=found,
        spans=[(span, f"{span}") for span in sorted({*_SPANS, days})],
        money=amount_text,
        can_act=may(work.caller.roles, MOVE_STOCK),
    )


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
    items: Mapping[str, SizeStockOut]


def tables_of(sizes: Iterable[SizeStockOut], *, names_system: bool) -> list[StockTable]:
    """Put sizes of one kind into tables, by system and side.

    Parameters
    ----------
    sizes
        Catalogue lines of one kind, each with what there is of it.
    names_system
        Whether each table says its system.
    """
    groups: dict[tuple[str, str], list[SizeStockOut]] = {}
    for one in sizes:
        side = one.side if one.kind in NAIL_KINDS and one.side in ("left", "right") else ""
        groups.setdefault((one.system or "", side or ""), []).append(one)
    return [
        _table(system if names_system else "", side, own)
        for (system, side), own in sorted(groups.items(), key=lambda pair: pair[0])
    ]


def _table(system: str, side: str, sizes: Sequence[SizeStockOut]) -> StockTable:
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


def _down(one: SizeStockOut) -> Axis:
    if one.kind in NAIL_KINDS:
        length, across = one.length_mm or 0.0, one.diameter_mm or 0.0
        return (length, across), f"{across:g} × {length:g} mm"
    if one.kind in _SCREWS:
        return (one.length_mm or 0.0,), f"{one.length_mm or 0.0:g} mm"
    if one.kind in _PLATES:
        return (float(one.holes or 0),), f"{one.holes} holes" if one.holes else "no holes"
    return (one.diameter_mm or 0.0, one.length_mm or 0.0), f"{one.description} {one.size}".strip()


def _across(one: SizeStockOut) -> Axis:
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


def _screw(one: SizeStockOut) -> Axis:
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
