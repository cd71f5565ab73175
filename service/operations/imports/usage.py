"""Usage history from a file: what past cases implanted or wasted."""

from collections.abc import Sequence

from service.exchange.rows import UsageRow as UsageLine
from service.operations.imports.plan import ImportPlan
from service.operations.unit import Unit
from service.storage.queries import catalogue, usage

__all__ = ["plan_usage"]


def plan_usage(unit: Unit, rows: Sequence[tuple[int, UsageLine]]) -> ImportPlan:
    """Compare a usage file with what is on record."""
    plan = ImportPlan()
    ids = catalogue.ids_by_ref(unit.session)
    known = usage.quantities(unit.session)
    new = []
    for number, row in rows:
        item_id = ids.get(row.ref)
        if item_id is None:
            plan.fault(number, "ref", f"the catalogue has no item with REF {row.ref}")
            continue
        if row.used_on > unit.today:
            plan.fault(number, "used_on", f"{row.used_on} is in the future")
            continue
        key = (item_id, row.used_on, row.lot or "", row.case_reference or "", row.outcome)
        if key not in known:
            new.append(dict(zip(usage.KEY, key, strict=True), quantity=row.quantity))
            plan.added += 1
        elif known[key] == row.quantity:
            plan.unchanged += 1
        else:
            plan.fault(number, "quantity", f"this use is on record with quantity {known[key]}")
    plan.later(usage.insert_many, unit.session, new)
    return plan
