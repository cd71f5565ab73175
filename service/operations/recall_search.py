"""Looking for units before there is a notice: where they are, and who got them."""

from service.errors import BadInput, FieldFault
from service.operations.catalogue import the_item
from service.operations.recall_report import report_on
from service.operations.schemas.recalls import RecallReport, RecallSearch
from service.operations.unit import Unit
from service.storage.tables import Recall

__all__ = ["search_units"]


def search_units(unit: Unit, asked: RecallSearch) -> RecallReport:
    """Give the report that a recall of these units would have; nothing is put in force.

    Raises
    ------
    BadInput
        When nothing is named, or the catalogue has no such REF: a slip of the pen must not look
        like an empty shelf.
    """
    item = None if asked.ref is None else the_item(unit, asked.ref, "/ref")
    if not any((item, asked.supplier, asked.lot, asked.serial)):
        reason = "say at least one of REF, supplier, lot and serial"
        raise BadInput("There is nothing to look for.", faults=[FieldFault("/lot", reason)])
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
    )
    facts = {
        **asked.model_dump(),
        "supplier": wanted.supplier,
        "lot": wanted.lot_number,
        "serial": wanted.serial,
        "notice": "",
        "reason": "",
        "at": unit.local(unit.now),
        "actor": unit.actor,
        "lifted_at": None,
        "moved": 0,
        "cases_told": [],
    }
    return report_on(unit, wanted, facts)
