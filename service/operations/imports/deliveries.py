"""Deliveries from a file: what is on its way."""

from collections.abc import Sequence
from typing import Any

from service.exchange.rows import DeliveryRow
from service.operations.imports.plan import ImportPlan
from service.operations.unit import Unit
from service.storage.queries import catalogue, stock
from service.storage.tables import Delivery

__all__ = ["plan_deliveries"]


def plan_deliveries(unit: Unit, rows: Sequence[tuple[int, DeliveryRow]]) -> ImportPlan:
    """Compare a delivery file with what is known to be on its way."""
    plan = ImportPlan()
    ids = catalogue.ids_by_ref(unit.session)
    for number, row in rows:
        item_id = ids.get(row.ref)
        if item_id is None:
            plan.fault(number, "ref", f"the catalogue has no item with REF {row.ref}")
        elif row.due_at is None:
            plan.fault(number, "due_at", "when it is due must be known; otherwise leave it out")
        elif row.ownership == "loan" and row.usable_from is None:
            plan.fault(
                number, "usable_from", "a loan comes unsterile: say from when it can be used"
            )
        else:
            _plan_row(unit, plan, _columns(unit, row, item_id))
    return plan


def _columns(unit: Unit, row: DeliveryRow, item_id: int) -> dict[str, Any]:
    due_at = unit.moment(row.due_at) if row.due_at else unit.now
    return {
        "site_id": unit.site_id,
        "reference": row.reference,
        "item_id": item_id,
        "quantity": row.quantity,
        "ownership": row.ownership,
        "due_at": due_at,
        "usable_from": unit.moment(row.usable_from) if row.usable_from else due_at,
        "return_by": row.return_by,
        "supplier": row.supplier or "",
    }


def _plan_row(unit: Unit, plan: ImportPlan, columns: dict[str, Any]) -> None:
    known = stock.find_delivery(
        unit.session, unit.site_id, columns["reference"], columns["item_id"]
    )
    if known is None:
        plan.added += 1
        plan.later(unit.session.add, Delivery(**columns))
    elif all(getattr(known, name) == value for name, value in columns.items()):
        plan.unchanged += 1
    else:
        plan.changed += 1
        plan.later(known.sqlmodel_update, columns)
