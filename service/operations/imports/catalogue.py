"""Catalogue lines from a file: new ones are added, known ones brought up to date."""

from collections.abc import Sequence
from dataclasses import asdict

from service.exchange.rows import CatalogueRow
from service.operations.imports.plan import ImportPlan
from service.operations.unit import Unit
from service.storage.queries import catalogue
from service.storage.tables import Item

__all__ = ["plan_catalogue"]


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
            plan.fault(number, "gtin", f"this GTIN belongs to REF {owner}")
        elif row.ref not in known:
            new.append(facts)
            plan.added += 1
        elif all(getattr(known[row.ref], name) == value for name, value in facts.items()):
            plan.unchanged += 1
        else:
            plan.changed += 1
            plan.later(_update, known[row.ref], facts)
    plan.later(catalogue.insert_many, unit.session, new)
    return plan


def _update(item: Item, facts: dict[str, object]) -> None:
    item.sqlmodel_update(facts)
    item.version += 1
