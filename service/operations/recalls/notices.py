"""Recalls on record: which units are named, and where each of them is, was or went."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Row

from service.core.recalls import is_named
from service.errors import BadInput, FieldFault, NotFound
from service.operations.catalogue import require_item
from service.operations.planner import planner_of
from service.operations.stock_units import recall_may_name, recall_names
from service.operations.work import Unit
from service.schemas.recalls import (
    GoneUnits,
    PromisedUnits,
    RecalledUnits,
    RecallHead,
    RecallPage,
    RecallReport,
    RecallSearch,
    TrayUnits,
    UsedUnits,
)
from service.storage.queries import catalogue, recalls
from service.storage.tables import Item, Recall, Site


def recall_sentences(unit: Unit, item: Item, printed: tuple[str, str]) -> tuple[str, str]:
    """Say that a pack is recalled, and say that it may be.

    Parameters
    ----------
    printed
        Lot number and serial of the pack, as far as they are known.

    Returns
    -------
    tuple of str
        What is certain and what is in doubt; empty when there is nothing to say.
    """
    planner_of(unit).refuse_late_clock()
    found = planner_of(unit).recalls_on(item.id or 0, item.supplier)
    certain = next((one for one in found if recall_names(one, *printed)), None)
    if certain is not None:
        return f"recalled by notice {certain.notice} ({certain.reason}).", ""
    doubtful = next((one for one in found if recall_may_name(one, *printed)), None)
    if doubtful is None:
        return "", ""
    what = f"lot {doubtful.lot_number}" if doubtful.lot_number else f"serial {doubtful.serial}"
    return "", f"Notice {doubtful.notice} recalls {what}: compare with the label."


def list_recalls(unit: Unit, *, after: str, limit: int) -> RecallPage:
    """Return recalls, the newest first, some at a time; lifted ones stay on record."""
    before = require_recall(unit, after).id if after else None
    rows = recalls.newest(unit.session, before=before, limit=limit + 1)
    more = rows[limit - 1][0].notice if len(rows) > limit else None
    heads = [RecallHead.model_validate(_head(unit, row, ref)) for row, ref in rows[:limit]]
    return RecallPage(recalls=heads, next_after=more)


def get_recall(unit: Unit, notice: str) -> RecallReport:
    """Report where every unit of a recall is, was or went."""
    return recall_report_with_effect(unit, require_recall(unit, notice))


def require_recall(unit: Unit, notice: str) -> Recall:
    """Return a recall's row, or say that there is none."""
    row = recalls.find(unit.session, notice)
    if row is None:
        raise NotFound(f"Recall notice {notice} was not found.")
    return row


def recall_report_with_effect(
    unit: Unit, row: Recall, *, moved: int = 0, told: list[str] | None = None
) -> RecallReport:
    """Return a recall's report with what this call did."""
    ref = None if row.item_id is None else unit.session.get_one(Item, row.item_id).ref
    facts = {**_head(unit, row, ref), "moved": moved, "cases_told": told or []}
    return recall_report(unit, row, facts)


def _head(unit: Unit, row: Recall, ref: str | None) -> dict[str, Any]:
    return {
        "notice": row.notice,
        "ref": ref,
        "supplier": row.supplier,
        "lot": row.lot_number,
        "serial": row.serial,
        "reason": row.reason,
        "at": unit.local(row.at),
        "actor": row.actor,
        "site": _site_of(unit, row),
        "may_lift": row.site_id in {None, unit.site_id},
        "lift_asked_at": None if row.lift_asked_at is None else unit.local(row.lift_asked_at),
        "lift_asked_by": row.lift_asked_by,
        "lift_asked_why": row.lift_asked_why,
        "lifted_at": None if row.lifted_at is None else unit.local(row.lifted_at),
        "lifted_by": row.lifted_by,
        "lifted_why": row.lifted_why,
    }


def _site_of(unit: Unit, row: Recall) -> str:
    """Name the site that declared a recall; its own without looking, as most are."""
    if row.site_id is None:
        return ""
    if row.site_id == unit.site_id:
        return unit.here.name
    return unit.session.get_one(Site, row.site_id).name


#: What a movement that uses a unit up in a case is called in a report.
_OUTCOMES = {"implant": "implanted", "waste": "wasted"}


@dataclass(frozen=True, slots=True)
class NamedLots:
    """Lots a recall names for certain, and lots whose record does not tell; by id."""

    named: Mapping[int, Row[Any]]
    in_doubt: Mapping[int, Row[Any]]


def units_named(unit: Unit, recall: Recall) -> NamedLots:
    """Sort the lots on record into those a recall names and those it may name."""
    named: dict[int, Row[Any]] = {}
    in_doubt: dict[int, Row[Any]] = {}
    for row in recalls.lots_like(unit.session, recall):
        is_certain = is_named(
            (
                (recall.supplier, row.supplier),
                (recall.lot_number, row.lot_number),
                (recall.serial, row.serial),
            )
        )
        (named if is_certain else in_doubt)[row.id] = row
    return NamedLots(named, in_doubt)


def recall_report(unit: Unit, recall: Recall, facts: Mapping[str, Any]) -> RecallReport:
    """Report on a recall.

    Parameters
    ----------
    facts
        The head of the report: what the notice says and what this call did.
    """
    lots = units_named(unit, recall)
    ids = list(lots.named)
    units = catalogue.units_of(unit.session, unit.site_id, ids)
    doubtful = catalogue.units_of(unit.session, unit.site_id, list(lots.in_doubt))
    ledger = recalls.units_gone(unit.session, unit.site_id, ids)
    used, cannot_tell_used = _used_before(unit, recall)
    unsure = recalls.units_gone(unit.session, unit.site_id, list(lots.in_doubt))
    parts: dict[str, Sequence[Any]] = {
        "on_shelves": _lying(units, lots.named, "shelf"),
        "in_quarantine": _lying(units, lots.named, "quarantine"),
        "in_theatre": _lying(units, lots.named, "theatre"),
        "in_transit": _lying(units, lots.named, "transit"),
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
    rows = catalogue.packs_of(unit.session, unit.site_id, list(lots))
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
        for row in catalogue.holds_on(unit.session, unit.site_id, list(lots))
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
    """Return the recalled uses of the history, and those whose record does not tell."""
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
        is_certain = is_named(((recall.lot_number, lot), (recall.serial, "")))
        (certain if is_certain else unsure).append(one)
    return certain, unsure


def _says(parts: Mapping[str, Sequence[Any]]) -> str:
    """Say in one line how many units are where."""
    words = {
        "on_shelves": "on shelves",
        "in_quarantine": "in quarantine",
        "in_theatre": "in theatre",
        "in_transit": "in transit to this site",
        "used": "used in cases",
        "gone": "no longer at this site",
    }
    counts = {name: sum(one.quantity for one in parts[name]) for name in words}
    said = [f"{counts[name]} {word}" for name, word in words.items() if counts[name]]
    says = f"{', '.join(said)}." if said else "No units or uses at this site match this notice."
    unclear = sum(one.quantity for one in (*parts["cannot_tell"], *parts["cannot_tell_used"]))
    if unclear:
        says += f" {unclear} more have no lot or serial recorded: check by hand."
    return says


def search_units(unit: Unit, asked: RecallSearch) -> RecallReport:
    """Return the report that a recall of these units would have; nothing is put in force.

    Raises
    ------
    BadInput
        When nothing is named, or the catalogue has no such REF: a slip of the pen must not look
        like an empty shelf.
    """
    item = None if asked.ref is None else require_item(unit, asked.ref, "/ref")
    if not any((item, asked.supplier, asked.lot, asked.serial)):
        reason = "enter at least one of REF, supplier, lot and serial"
        raise BadInput("Nothing to search for.", faults=[FieldFault("/lot", reason)])
    # Never added to the session: it only carries what is asked for.
    wanted = Recall(
        notice="",
        item_id=None if item is None else item.id,
        supplier=asked.supplier or "",
        lot_number=asked.lot or "",
        serial=asked.serial or "",
        reason="",
        at=unit.now,
        actor=unit.actor,
        site_id=unit.site_id,
    )
    facts = {**_head(unit, wanted, asked.ref), "moved": 0, "cases_told": []}
    return recall_report(unit, wanted, facts)
