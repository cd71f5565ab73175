"""The pick list: which pack from which shelf, in the order one walks, with codes to scan."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Literal

from fastapi import APIRouter, Request
from starlette.responses import Response

from service.exchange.labels.gs1 import gs1_elements
from service.operations.cover.check import PickRoute, pick_route
from service.operations.people.permissions import READ, requires
from service.schemas.cover import CaseCheckOut, ExpectationOut, PickRowOut
from web.pages.cases import missing_of, packs_to_pick
from web.pictures.codes import label_code, symbol_text
from web.pictures.svg import Picture
from web.render import page, work_of

router = APIRouter()


#: Where a pack goes, in the words of a line; the most urgent first.
PLACES = {
    "first use": "open first",
    "in the room": "in the room",
    "on its shelf": "leave on shelf",
}


#: The same as headings.
_HEADINGS = {
    "first use": "Open first",
    "in the room": "In the room, unopened",
    "on its shelf": "Leave on shelf (standby)",
}


STAYS = "on its shelf"


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One line of the list; ``code`` is what a scanner reads from the printed sheet.

    ``expected`` is for a set that has to come back before it can be taken.
    """

    pack: PickRowOut
    code: Picture | None
    expected: ExpectationOut | None = None

    @property
    def whys(self) -> list[str]:
        """Why the pack is brought: for the construct planned first, and for what stands by."""
        return list(dict.fromkeys(_why(one) for one in self.pack.whys))


def _why(said: str) -> str:
    why, _, name = said.replace("nominal", "as planned").partition("; backup ")
    # The system and the angle stand on the pack's own line.
    return f"{name.partition(' (')[0]}: {why}" if name else why


@dataclass(frozen=True, slots=True)
class PickGroup:
    """Lines under one heading; those of ``stays`` are not taken along."""

    title: str
    stays: bool
    rows: Sequence[SheetRow]

    @property
    def packs(self) -> int:
        """How many packs the lines are."""
        return sum(row.pack.quantity for row in self.rows)


@router.get("/cases/{reference}/pick-list")
@requires(READ)
def show_pick_list(
    request: Request, reference: str, by: Literal["route", "use"] = "route"
) -> Response:
    """Show what to pick for a case, along the shelves or by what it is for."""
    route = work_of(request).read(lambda unit: pick_route(unit, reference))
    groups = _by_route(route) if by == "route" else _by_use(route)
    to_take = [one for one in groups if not one.stays]
    on_tray = [row for row in route.check.pick_list if row.on_tray]
    return page(
        request,
        "pick_list.html",
        case=route.case,
        check=route.check,
        missing=missing_of(route.check),
        on_tray=on_tray,
        picked=sum(row.quantity for row in on_tray),
        groups=groups,
        places=PLACES,
        by=by,
        to_take=packs_to_pick(route.check),
        stores=len(to_take),
        left=sum(one.packs for one in groups if one.stays),
    )


def _rows(route: PickRoute) -> list[SheetRow]:
    return [
        SheetRow(pack, _code(route, pack, number), expected_for(pack, route.check))
        for number, pack in enumerate(route.check.pick_list)
    ]


def expected_for(pack: PickRowOut, check: CaseCheckOut) -> ExpectationOut | None:
    """Return what has to happen before a pack can be taken from its shelf."""
    named = (pack.ref, pack.serial or pack.lot)
    return next((one for one in check.expects if (one.ref, one.name) == named), None)


def _waiting(route: PickRoute) -> list[SheetRow]:
    return [row for row in _rows(route) if not row.pack.on_tray]


def _by_route(route: PickRoute) -> list[PickGroup]:
    """PickGroup by store, in the order of the shelves; what stays is told at the end."""
    rows = _waiting(route)
    take = sorted((row for row in rows if row.pack.place != STAYS), key=_shelf)
    groups = [
        PickGroup(store, stays=False, rows=tuple(own))
        for store, own in groupby(take, key=lambda row: row.pack.store)
    ]
    return [*groups, *_staying(rows)]


def _by_use(route: PickRoute) -> list[PickGroup]:
    rows = _waiting(route)
    groups = [
        PickGroup(_HEADINGS[place], stays=False, rows=own)
        for place in PLACES
        if place != STAYS
        and (own := tuple(sorted((row for row in rows if row.pack.place == place), key=_shelf)))
    ]
    return [*groups, *_staying(rows)]


def _staying(rows: Iterable[SheetRow]) -> list[PickGroup]:
    own = tuple(sorted((row for row in rows if row.pack.place == STAYS), key=_shelf))
    return [PickGroup(_HEADINGS[STAYS], stays=True, rows=own)] if own else []


def _shelf(row: SheetRow) -> tuple[str, str, str, str]:
    pack = row.pack
    return (pack.store, pack.shelf, pack.label, pack.lot or pack.serial)


def _code(route: PickRoute, pack: PickRowOut, number: int) -> Picture | None:
    """Draw what the pack's own label says; none where the catalogue does not know its number."""
    gtin = route.gtins.get(pack.ref)
    if gtin is None:
        return None
    elements = gs1_elements(gtin=gtin, lot=pack.lot, serial=pack.serial, use_by=pack.use_by)
    title = f"Label of {pack.ref}, {pack.lot or pack.serial}"
    try:
        return label_code(
            symbol_text(elements), "gs1-datamatrix", prefix=f"code-{number}", title=title
        )
    except ValueError:
        # A lot with characters no label can carry: the line is printed without a code.
        return None
