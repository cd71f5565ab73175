"""Putting a recall in force: tell the cases it touches, clear the shelves; and lifting it."""

from typing import Any

from sqlalchemy import Row
from sqlalchemy.exc import IntegrityError

from service.core.recalls import comparable
from service.errors import BadInput, Conflict, Duplicate, FieldFault, Forbidden
from service.operations.cases.lookup import require_case
from service.operations.catalogue import require_item
from service.operations.holds import holds
from service.operations.holds.conflicts import rehold_cases
from service.operations.locations import ledger_line, quarantine_place
from service.operations.recalls.notices import (
    recall_report_with_effect,
    require_recall,
    units_named,
)
from service.operations.work import Unit
from service.schemas.recalls import LiftBody, RecallBody, RecallReport
from service.storage.queries import catalogue, recalls, stock
from service.storage.tables import Item, Recall, Site


def start_recall(unit: Unit, body: RecallBody) -> RecallReport:
    """Put a recall in force, tell the cases it touches, and clear the shelves if asked.

    Raises
    ------
    BadInput
        When the catalogue has no such REF or no item of the supplier: a slip of the pen must not
        look like an empty shelf.
    Duplicate
        When the notice is on record already.
    """
    if recalls.find(unit.session, body.notice) is not None:
        raise _duplicate(body)
    recall = _add(unit, body)
    told, moved = _tell_trays(unit, recall), 0
    if body.quarantine:
        moved, lost = _clear_shelves(unit, recall)
        told += lost
    return recall_report_with_effect(unit, recall, moved=moved, told=list(dict.fromkeys(told)))


def _add(unit: Unit, body: RecallBody) -> Recall:
    item = None if body.ref is None else require_item(unit, body.ref, "/ref")
    if body.supplier is not None and not _supplies(unit, item, body.supplier):
        reason = (
            "no catalogue item is from this supplier"
            if item is None
            else f"in the catalogue, REF {item.ref} is from {item.supplier}"
        )
        raise BadInput("Nothing was saved.", faults=[FieldFault("/supplier", reason)])
    row = Recall(
        notice=body.notice,
        item_id=None if item is None else item.id,
        supplier=body.supplier or "",
        lot_number=body.lot or "",
        serial=body.serial or "",
        reason=body.reason,
        at=unit.now,
        actor=unit.actor,
        site_id=unit.site_id,
    )
    unit.session.add(row)
    try:
        unit.session.flush()
    except IntegrityError as error:
        # Somebody else entered the same notice between our look and our write.
        raise _duplicate(body) from error
    return row


def _supplies(unit: Unit, item: Item | None, supplier: str) -> bool:
    if item is not None:
        return comparable(item.supplier) == comparable(supplier)
    return recalls.supplier_is_known(unit.session, supplier)


def _duplicate(body: RecallBody) -> Duplicate:
    reason = "this notice is already recorded; open its report"
    return Duplicate(
        f"Notice {body.notice} is already recorded.", faults=[FieldFault("/notice", reason)]
    )


def _tell_trays(unit: Unit, recall: Recall) -> list[str]:
    """Tell the cases on whose trays recalled units lie; nobody can fetch those but people."""
    named = units_named(unit, recall).named
    told = []
    for row in catalogue.packs_of(unit.session, unit.site_id, list(named)):
        if row.open > 0:
            lot = named[row.lot_id]
            says = f"{_words(lot)} on the tray is recalled by notice {recall.notice}: remove it."
            holds.tell_case(unit, require_case(unit, row.reference), "recall", says)
            told.append(row.reference)
    return told


def _clear_shelves(unit: Unit, recall: Recall) -> tuple[int, list[str]]:
    """Move every unit on a shelf to quarantine; cases that lose a hold look for another pack."""
    named = units_named(unit, recall).named
    rows = catalogue.units_of(unit.session, unit.site_id, list(named))
    on_shelves = [row for row in rows if row.kind == "shelf"]
    if not on_shelves:
        return 0, []
    quarantine = quarantine_place(unit)
    lost: list[str] = []
    for row in sorted(on_shelves, key=lambda one: (one.lot_id, one.location_id)):
        why = f"{_words(named[row.lot_id])} is recalled by notice {recall.notice}"
        lost += holds.release_units(unit, row.lot_id, row.location_id, why)
    movements = [
        ledger_line(
            unit,
            "quarantine",
            row.lot_id,
            row.quantity,
            origin=row.location_id,
            target=quarantine.id,
            reason=f"recall {recall.notice}",
        )
        for row in on_shelves
    ]
    stock.post_movements(unit.session, movements)
    losers = [require_case(unit, name) for name in dict.fromkeys(lost)]
    return sum(row.quantity for row in on_shelves), rehold_cases(unit, losers)


def _words(lot: Row[Any]) -> str:
    name = f"lot {lot.lot_number}" if lot.lot_number else f"serial {lot.serial}"
    return f"{lot.ref}, {name}"


def lift_recall(unit: Unit, notice: str, body: LiftBody) -> RecallReport:
    """End a recall; what lies in quarantine stays there until somebody releases it.

    Where it takes two people, the first only asks, and another one who says it too lifts it.

    Raises
    ------
    Forbidden
        When another site declared it.
    Conflict
        When it was lifted before, or the same person has asked already.
    """
    row = require_recall(unit, notice)
    if row.lifted_at is not None:
        raise Conflict(f"Notice {notice} was lifted on {unit.local(row.lifted_at).date()}.")
    if row.site_id not in {None, unit.site_id}:
        name = unit.session.get_one(Site, row.site_id).name
        raise Forbidden(f"{name} started this recall; only {name} can lift it.")
    if unit.settings.recall_lifters > 1 and row.lift_asked_at is None:
        row.lift_asked_at, row.lift_asked_by = unit.now, unit.actor
        row.lift_asked_person_id, row.lift_asked_why = unit.caller.person_id, body.reason
    else:
        _refuse_same_person(unit, row)
        row.lifted_at, row.lifted_by, row.lifted_why = unit.now, unit.actor, body.reason
    unit.session.flush()
    return recall_report_with_effect(unit, row)


def _refuse_same_person(unit: Unit, row: Recall) -> None:
    """Keep somebody from being their own second person; a token is its person."""
    if unit.settings.recall_lifters == 1:
        return
    person = unit.caller.person_id
    if person is None or person == row.lift_asked_person_id:
        raise Conflict(
            f"{row.lift_asked_by} asked for notice {row.notice} to be lifted; another person must "
            "confirm it."
        )
