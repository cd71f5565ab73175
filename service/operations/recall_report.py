"""Where every unit of a recall is, was or went; what nobody can tell is listed as such."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Row

from service.operations.schemas.recalls import (
    GoneUnits,
    PromisedUnits,
    RecalledUnits,
    RecallReport,
    TrayUnits,
    UsedUnits,
)
from service.operations.unit import Unit
from service.storage.queries import codes, recalls
from service.storage.tables import Recall

__all__ = ["Named", "report_on", "units_named"]

#: What a movement that uses a unit up in a case is called in a report.
_OUTCOMES = {"implant": "implanted", "waste": "wasted"}


@dataclass(frozen=True, slots=True)
class Named:
    """Lots a recall names for certain, and lots whose record does not tell; by id."""

    named: Mapping[int, Row[Any]]
    in_doubt: Mapping[int, Row[Any]]


def units_named(unit: Unit, recall: Recall) -> Named:
    """Sort the lots on record into those a recall names and those it may name."""
    named: dict[int, Row[Any]] = {}
    in_doubt: dict[int, Row[Any]] = {}
    for row in recalls.lots_like(unit.session, recall):
        lacks = (
            (recall.lot_number and not row.lot_number)
            or (recall.serial and not row.serial)
            or (recall.supplier and not row.supplier)
        )
        (in_doubt if lacks else named)[row.id] = row
    return Named(named, in_doubt)


def report_on(unit: Unit, recall: Recall, facts: Mapping[str, Any]) -> RecallReport:
    """Report on a recall.

    Parameters
    ----------
    facts
        The head of the report: what the notice says and what this call did.
    """
    lots = units_named(unit, recall)
    ids = list(lots.named)
    units = codes.units_of(unit.session, unit.site_id, ids)
    doubtful = codes.units_of(unit.session, unit.site_id, list(lots.in_doubt))
    ledger = recalls.gone(unit.session, unit.site_id, ids)
    used, cannot_tell_used = _used_before(unit, recall)
    unsure = recalls.gone(unit.session, unit.site_id, list(lots.in_doubt))
    parts: dict[str, Sequence[Any]] = {
        "on_shelves": _lying(units, lots.named, "shelf"),
        "in_quarantine": _lying(units, lots.named, "quarantine"),
        "in_theatre": _lying(units, lots.named, "theatre"),
        "on_trays": _on_trays(unit, lots.named),
        "on_lists": _on_lists(unit, lots.named),
        "used": _used(unit, ledger, lots.named) + used,
        "gone": _gone(unit, ledger, lots.named),
        "cannot_tell": _lying(doubtful, lots.in_doubt, None),
        "cannot_tell_used": _used(unit, unsure, lots.in_doubt) + cannot_tell_used,
    }
    return RecallReport.model_validate({**facts, **parts, "says": _says(parts)})


def _lot_words(row: Row[Any]) -> dict[str, str]:
    return {"ref": row.ref, "lot": row.lot_number, "serial": row.serial}


def _lying(
    units: Iterable[Row[Any]], lots: Mapping[int, Row[Any]], kind: str | None
) -> list[RecalledUnits]:
    return [
        RecalledUnits(
            **_lot_words(lots[row.lot_id]),
            store=row.store,
            shelf=row.shelf,
            quantity=row.quantity,
            held=row.held,
        )
        for row in units
        if kind is None or row.kind == kind
    ]


def _on_trays(unit: Unit, lots: Mapping[int, Row[Any]]) -> list[TrayUnits]:
    rows = codes.packs_of(unit.session, unit.site_id, list(lots))
    return [
        TrayUnits(
            **_lot_words(lots[row.lot_id]),
            case=row.reference,
            list_date=row.list_date,
            theatre=row.theatre,
            quantity=row.open,
        )
        for row in rows
        if row.open > 0
    ]


def _on_lists(unit: Unit, lots: Mapping[int, Row[Any]]) -> list[PromisedUnits]:
    return [
        PromisedUnits(
            **_lot_words(lots[row.lot_id]),
            case=row.reference,
            list_date=row.list_date,
            theatre=row.theatre,
            quantity=row.quantity,
        )
        for row in codes.holds_on(unit.session, unit.site_id, list(lots))
    ]


def _used(unit: Unit, ledger: Iterable[Row[Any]], lots: Mapping[int, Row[Any]]) -> list[UsedUnits]:
    return [
        UsedUnits(
            **_lot_words(lots[row.lot_id]),
            case=row.reference,
            outcome=_OUTCOMES[row.kind],
            quantity=row.quantity,
            last_on=unit.local(row.last_at).date(),
            source="ledger",
        )
        for row in ledger
        if row.kind in _OUTCOMES
    ]


def _gone(unit: Unit, ledger: Iterable[Row[Any]], lots: Mapping[int, Row[Any]]) -> list[GoneUnits]:
    return [
        GoneUnits(
            **_lot_words(lots[row.lot_id]),
            kind=row.kind,
            quantity=row.quantity,
            last_on=unit.local(row.last_at).date(),
        )
        for row in ledger
        if row.kind not in _OUTCOMES
    ]


def _used_before(unit: Unit, recall: Recall) -> tuple[list[UsedUnits], list[UsedUnits]]:
    """Give the recalled uses of the history, and those whose record does not tell."""
    certain: list[UsedUnits] = []
    unsure: list[UsedUnits] = []
    for ref, lot, case, outcome, quantity, day in recalls.used_before(unit.session, recall):
        one = UsedUnits(
            ref=ref,
            lot=lot,
            serial="",
            case=case or None,
            outcome=outcome,
            quantity=quantity,
            last_on=day,
            source="history",
        )
        # The history keeps no serials.
        lacks = recall.serial or (recall.lot_number and not lot)
        (unsure if lacks else certain).append(one)
    return certain, unsure


def _says(parts: Mapping[str, Sequence[Any]]) -> str:
    """Say in one line how many units are where."""
    words = {
        "on_shelves": "on shelves",
        "in_quarantine": "in quarantine",
        "in_theatre": "in theatre",
        "used": "used in cases",
        "gone": "gone from here",
    }
    counts = {name: sum(one.quantity for one in parts[name]) for name in words}
    said = [f"{counts[name]} {word}" for name, word in words.items() if counts[name]]
    says = f"{', '.join(said)}." if said else "Nothing on record here matches this notice."
    unclear = sum(one.quantity for one in (*parts["cannot_tell"], *parts["cannot_tell_used"]))
    if unclear:
        says += f" {unclear} more cannot be told: their record lacks what the notice names."
    return says
