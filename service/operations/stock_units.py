"""Rows of stock and deliveries as the units that core judges."""

from collections import Counter
from collections.abc import Collection
from datetime import date
from typing import Any

from sqlalchemy import Row

from service.core.catalogue import INSTRUMENT_SET_KINDS
from service.core.cover.units import StockUnits, unusable_reason
from service.operations.planner import planner_of
from service.operations.work import Unit
from service.storage.tables import Item, Location, Lot, Recall

#: Why units count for no new case, said beside them; who has them goes in the braces.
_IN_A_WORD = {
    "recalled": "recalled",
    "expires": "expired",
    "quarantined": "in quarantine",
    "unsterile": "not sterile",
    "return_due": "due back",
    "promised": "on the tray of {}",
}


def units_of(row: Row[Any], recalled: Collection[int]) -> StockUnits:
    """Make the units of a row that has the columns of ``stock_rows``.

    Parameters
    ----------
    recalled
        The lots that a recall in force names.
    """
    return StockUnits(
        key=f"{row.lot_id}@{row.location_id}",
        ref=row.ref,
        quantity=row.quantity,
        lot=row.lot_number,
        serial=row.serial,
        store=row.store,
        shelf=row.shelf,
        use_by=row.use_by,
        ownership=row.ownership,
        return_by=row.return_by,
        blocked=_blocked(row.location_kind, row.sterility, is_recalled=row.lot_id in recalled),
        tray_of=tray_case(row.location_kind, row.shelf, row.kind),
    )


def units_at(
    item: Item, lot: Lot, place: Location, quantity: int, *, is_recalled: bool
) -> StockUnits:
    """Make the units of a lot at a place."""
    return StockUnits(
        key=f"{lot.id}@{place.id}",
        ref=item.ref,
        quantity=quantity,
        lot=lot.lot_number,
        serial=lot.serial,
        store=place.store,
        shelf=place.shelf,
        use_by=lot.use_by,
        ownership=lot.ownership,
        return_by=lot.return_by,
        blocked=_blocked(place.kind, lot.sterility, is_recalled=is_recalled),
        tray_of=tray_case(place.kind, place.shelf, item.kind),
    )


def units_due(row: Row[Any]) -> StockUnits:
    """Make the units of a row of ``deliveries_due``: they are on their way."""
    return StockUnits(
        key=f"due {row.id}",
        ref=row.ref,
        quantity=row.quantity,
        lot=f"delivery {row.reference}",
        ownership=row.ownership,
        return_by=row.return_by,
        due_at=row.due_at,
        usable_from=row.usable_from,
    )


def why_not_usable(row: Row[Any], recalled: Collection[int], today: date) -> str:
    """Say why units in one place count for no new case; empty when they do.

    Parameters
    ----------
    row
        A row of ``stock_rows``.
    recalled
        The lots that a recall in force names.
    """
    reason = unusable_reason(units_of(row, recalled), today)
    if reason is None:
        return ""
    return _IN_A_WORD[reason.because].format(", ".join(reason.cases))


def sets_that_count(unit: Unit, day: date) -> dict[str, int]:
    """Count the copies of each instrument set in the house that count on a day, by reference."""
    planner = planner_of(unit)
    found: Counter[str] = Counter()
    for row in planner.stock_of(planner.catalogue.turnarounds.keys()):
        if unusable_reason(units_of(row, planner.recalled), day) is None:
            found[row.ref] += row.quantity
    return found


def _blocked(place: str, sterility: str, *, is_recalled: bool) -> tuple[str, ...]:
    found = {
        "recalled": is_recalled,
        "quarantined": place == "quarantine",
        "unsterile": sterility != "sterile",
    }
    return tuple(word for word, applies in found.items() if applies)


def tray_case(place: str, shelf: str, kind: str) -> str | None:
    """Name the case on whose tray units lie: a tray's place is named after its case.

    A set on a tray comes back after its turnaround, which its holds know; a pack may stay in the
    patient.
    """
    return shelf if place == "theatre" and kind not in INSTRUMENT_SET_KINDS else None


def read_stock_units(unit: Unit, refs: Collection[str] | None = None) -> list[StockUnits]:
    """Return everything there is and everything on its way, as the planner sees it.

    Parameters
    ----------
    refs
        Only what has one of these references, so that a check does not read a whole store.
    """
    planner = planner_of(unit)
    here, coming = planner.stock_of(refs), planner.deliveries
    recalled = {row.lot_id for row in here if row.recalled}
    return [units_of(row, recalled) for row in here] + [
        units_due(row) for row in coming if refs is None or row.ref in refs
    ]


def active_recall(
    unit: Unit, item_id: int, supplier: str, lot_number: str, serial: str
) -> Recall | None:
    """Return the oldest recall in force that names units about to be received, moved or used.

    Parameters
    ----------
    item_id, supplier
        The item and its supplier as the catalogue has them.
    lot_number, serial
        Of the units; empty when they have none.
    """
    found = planner_of(unit).recalls_on(item_id, supplier)
    return next((one for one in found if recall_names(one, lot_number, serial)), None)


def recall_names(recall: Recall, lot_number: str, serial: str) -> bool:
    """Compare as people type notices: upper and lower case are the same."""
    pairs = ((recall.lot_number, lot_number), (recall.serial, serial))
    return all(not theirs or theirs.lower() == ours.lower() for theirs, ours in pairs)
