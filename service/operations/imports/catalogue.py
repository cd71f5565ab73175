"""Catalogue lines from a file: new ones are added, known ones brought up to date."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from service.exchange.sheets.columns import CatalogueRow, HolidayRow, SupplierRow
from service.operations.imports.plan import ImportPlan
from service.operations.planning.item_edits import supplier_fault, weighty_edit
from service.operations.work import Unit
from service.storage.queries import catalogue, suppliers
from service.storage.tables import Holiday, Item, Supplier


def plan_catalogue(unit: Unit, rows: Sequence[tuple[int, CatalogueRow]]) -> ImportPlan:
    """Compare a catalogue file with the catalogue."""
    plan = ImportPlan()
    known = catalogue.by_ref(unit.session, (row.ref for _, row in rows))
    owner_of_gtin = catalogue.refs_by_gtin(unit.session)
    new = []
    for number, row in rows:
        facts = asdict(row)
        owner = owner_of_gtin.get(row.gtin) if row.gtin else None
        if owner is not None and owner != row.ref:
            plan.fault(number, "gtin", f"this GTIN already belongs to REF {owner}")
        elif row.ref not in known:
            new.append(facts)
            plan.added += 1
        elif all(getattr(known[row.ref], name) == value for name, value in facts.items()):
            plan.unchanged += 1
        elif (fault := supplier_fault(unit, known[row.ref], row.supplier)) is not None:
            plan.fault(number, "supplier", fault)
        else:
            plan.changed += 1
            edit = weighty_edit(known[row.ref], facts)
            plan.edits += [edit] if edit is not None else []
            plan.later(_update_item, known[row.ref], facts)
    plan.later(catalogue.insert_many, unit.session, new)
    return plan


def _update_item(item: Item, facts: dict[str, object]) -> None:
    item.sqlmodel_update(facts)
    item.version += 1


def plan_suppliers(unit: Unit, rows: Sequence[tuple[int, SupplierRow]]) -> ImportPlan:
    """Compare a file of suppliers with those that are known."""
    plan = ImportPlan()
    known = {row.name: row for row in suppliers.all_suppliers(unit.session)}
    for _, row in rows:
        facts = _columns(row)
        there = known.get(row.name)
        if there is None:
            plan.added += 1
            plan.later(unit.session.add, Supplier(**facts))
        elif all(getattr(there, name) == value for name, value in facts.items()):
            plan.unchanged += 1
        else:
            plan.changed += 1
            plan.later(_update_supplier, there, facts)
    named = set(suppliers.names_in_catalogue(unit.session)) - {""}
    for name in sorted({row.name for _, row in rows} - named):
        plan.notes.append(f"No catalogue item is supplied by {name}.")
    return plan


def _columns(row: SupplierRow) -> dict[str, Any]:
    facts = asdict(row)
    clock = facts.pop("cut_off")
    return {**facts, "cut_off_minute": None if clock is None else clock.hour * 60 + clock.minute}


def _update_supplier(row: Supplier, facts: dict[str, Any]) -> None:
    row.sqlmodel_update(facts)
    row.version += 1


def plan_holidays(unit: Unit, rows: Sequence[tuple[int, HolidayRow]]) -> ImportPlan:
    """Compare a file of holidays with the site's; those the file leaves out stay."""
    plan = ImportPlan()
    known = {row.day: row for row in suppliers.holidays(unit.session, unit.site_id)}
    for _, row in rows:
        there = known.get(row.day)
        if there is None:
            plan.added += 1
            plan.later(unit.session.add, Holiday(site_id=unit.site_id, day=row.day, name=row.name))
        elif there.name == row.name:
            plan.unchanged += 1
        else:
            plan.changed += 1
            plan.later(there.sqlmodel_update, {"name": row.name})
    return plan
