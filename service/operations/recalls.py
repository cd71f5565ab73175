"""Recalls on record: which units are named, and where each of them is, was or went."""

from typing import Any

from service.errors import NotFound
from service.operations.recall_report import report_on
from service.operations.schemas.recalls import RecallHead, RecallPage, RecallReport
from service.operations.unit import Unit
from service.storage.queries import recalls
from service.storage.tables import Item, Recall

__all__ = [
    "active_recall",
    "blocked_lots",
    "get_recall",
    "list_recalls",
    "recall_sentences",
    "report_of",
    "the_recall",
]


def blocked_lots(unit: Unit) -> set[int]:
    """Give the lots that a recall in force names: they cover nothing."""
    return recalls.blocked_lot_ids(unit.session)


def active_recall(
    unit: Unit, item_id: int, supplier: str, lot_number: str, serial: str
) -> Recall | None:
    """Give the oldest recall in force that names units about to be received, moved or used.

    Parameters
    ----------
    item_id, supplier
        The item and its supplier as the catalogue has them.
    lot_number, serial
        Of the units; empty when they have none.
    """
    found = recalls.active_on(unit.session, item_id, supplier)
    return next((one for one in found if _names(one, lot_number, serial)), None)


def _names(recall: Recall, lot_number: str, serial: str) -> bool:
    """Compare as people type notices: upper and lower case are the same."""
    pairs = ((recall.lot_number, lot_number), (recall.serial, serial))
    return all(not theirs or theirs.lower() == ours.lower() for theirs, ours in pairs)


def _may_name(recall: Recall, lot_number: str, serial: str) -> bool:
    """Tell whether only what the pack does not say keeps a recall from naming it."""
    return _names(recall, lot_number or recall.lot_number, serial or recall.serial)


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
    found = recalls.active_on(unit.session, item.id or 0, item.supplier)
    certain = next((one for one in found if _names(one, *printed)), None)
    if certain is not None:
        return f"recalled by notice {certain.notice} ({certain.reason}).", ""
    doubtful = next((one for one in found if _may_name(one, *printed)), None)
    if doubtful is None:
        return "", ""
    what = f"lot {doubtful.lot_number}" if doubtful.lot_number else f"serial {doubtful.serial}"
    return "", f"Notice {doubtful.notice} recalls {what}: compare with what is printed."


def list_recalls(unit: Unit, *, after: str, limit: int) -> RecallPage:
    """Give recalls, the newest first, some at a time; lifted ones stay on record."""
    before = the_recall(unit, after).id if after else None
    rows = recalls.newest(unit.session, before=before, limit=limit + 1)
    more = rows[limit - 1][0].notice if len(rows) > limit else None
    heads = [RecallHead.model_validate(_head(unit, row, ref)) for row, ref in rows[:limit]]
    return RecallPage(recalls=heads, next_after=more)


def get_recall(unit: Unit, notice: str) -> RecallReport:
    """Report where every unit of a recall is, was or went."""
    return report_of(unit, the_recall(unit, notice))


def the_recall(unit: Unit, notice: str) -> Recall:
    """Give a recall's row, or say that there is none."""
    row = recalls.find(unit.session, notice)
    if row is None:
        raise NotFound(f"There is no recall with notice {notice}.")
    return row


def report_of(
    unit: Unit, row: Recall, *, moved: int = 0, told: list[str] | None = None
) -> RecallReport:
    """Give a recall's report with what this call did."""
    ref = None if row.item_id is None else unit.session.get_one(Item, row.item_id).ref
    facts = {**_head(unit, row, ref), "moved": moved, "cases_told": told or []}
    return report_on(unit, row, facts)


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
        "lifted_at": None if row.lifted_at is None else unit.local(row.lifted_at),
    }
