"""Stock: families, the sizes of one family, and everything as a list."""

from collections.abc import Sequence
from typing import Annotated, Any
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Query, Request
from starlette.responses import RedirectResponse, Response

from service.core.catalogue import CONSUMABLE_KINDS, INSTRUMENT_SET_KINDS, ITEM_KINDS, NAIL_KINDS
from service.operations import catalogue
from service.operations.par.levels import list_levels
from service.operations.people.permissions import MOVE_STOCK, READ, may, requires
from service.operations.stock import movements, view
from service.operations.work import Unit
from service.schemas.base import OptionalText
from service.schemas.stock import FamilyOut
from web.pages.size_tables import shade_of, tables_of
from web.render import page, work_of

router = APIRouter()


_PAGE = 36


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
    return page(request, "stock.html", **work_of(request).read(_overview))


#: Days ahead in which what expires is named first.
_SOON = 30


#: Lines shown of what is short, and of what is below par; the pages they lead to have the rest.
_AT_ONCE, _FEW = 6, 4


def _overview(unit: Unit) -> dict[str, Any]:
    """Read what a storekeeper looks for first, then the families and what is on order."""
    soon = view.expiring(unit, _SOON)
    levels = list_levels(unit, below_only=False).levels
    deliveries = movements.list_deliveries(unit).deliveries
    return {
        "families": _by_system(view.families(unit)),
        "set_kinds": INSTRUMENT_SET_KINDS,
        "short": view.shortages_ahead(unit),
        "at_once": _AT_ONCE,
        "has_levels": bool(levels),
        "low": [one for one in levels if one.missing],
        "few": _FEW,
        "expired": sum(one.quantity for one in soon.units if one.is_expired),
        "expiring": sum(one.quantity for one in soon.units if not one.is_expired),
        "until": soon.until,
        "deliveries": deliveries,
        "has_loans": any(one.ownership == "loan" for one in deliveries),
    }


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
        groups=tables_of(sizes),
        shade_of=shade_of,
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


#: Days of what stands open on the page; what expires later is folded.
_NEXT = 14


#: Days from today that can be chosen.
_SPANS = (14, 30, 60, 90, 180)


@router.get("/expiring")
@requires(READ)
def show_expiring(request: Request, days: Annotated[int, Query(ge=0, le=3650)] = 60) -> Response:
    """Show what expires within some days, what has expired already first."""
    work = work_of(request)
    found = work.read(lambda unit: view.expiring(unit, days))
    expired = [one for one in found.units if one.is_expired]
    coming = [one for one in found.units if not one.is_expired]
    return page(
        request,
        "expiring.html",
        found=found,
        expired=expired,
        coming=coming,
        spells=[
            ("expired", "Expired, take off the shelf", expired),
            ("soon", "Next 14 days", [one for one in coming if one.days_left <= _NEXT]),
            ("later", "Later", [one for one in coming if one.days_left > _NEXT]),
        ],
        spans=[(span, f"{span}") for span in sorted({*_SPANS, days})],
        can_act=may(work.caller.roles, MOVE_STOCK),
    )
