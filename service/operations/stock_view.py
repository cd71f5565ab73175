"""Stock by family and size: what is here, promised, free, and what coming lists miss."""

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import Row

from service.core.items import ItemFacts, describe_size
from service.core.units import unusable_reason
from service.operations.planner import planner_of
from service.operations.schemas.stock_view import FamilyOut, MissingOut, SizeOut
from service.operations.stock import list_deliveries
from service.operations.stock_needs import missing_ahead, needed_by_ref
from service.operations.stock_units import units_of
from service.operations.unit import Unit
from service.storage.queries import catalogue, stock

__all__ = ["families", "item_size", "sizes_of", "why_not_usable"]

#: Kind and system.
Family = tuple[str, str | None]

#: Why units count for no new case, said beside them; who has them goes in the braces.
_IN_A_WORD = {
    "recalled": "recalled",
    "expires": "expired",
    "quarantined": "in quarantine",
    "unsterile": "not sterile",
    "return_due": "due back",
    "promised": "on the tray of {}",
}

#: What a family has as the sum of its sizes.
_AMOUNTS = ("here", "promised", "free", "not_usable", "coming")


def families(unit: Unit) -> list[FamilyOut]:
    """Give every kind of every system with its units, those of no system last."""
    found: dict[Family, FamilyOut] = {}
    missing = missing_ahead(unit)
    homes: dict[str, Family] = {}
    for size in _sizes(unit, planner_of(unit).facts, missing):
        key = homes[size.ref] = (size.kind, size.system)
        family = found.setdefault(key, FamilyOut(kind=size.kind, system=size.system, sizes=0))
        family.sizes += 1
        for name in _AMOUNTS:
            setattr(family, name, getattr(family, name) + getattr(size, name))
    for one in missing:
        # Once for a family, however many of its sizes would serve.
        for key in {homes[ref] for ref in one.refs if ref in homes}:
            found[key].needed += one.missing
    return sorted(found.values(), key=lambda one: (one.system is None, one.system or "", one.kind))


def sizes_of(unit: Unit, kind: str, system: str = "") -> list[SizeOut]:
    """Give every catalogue line of a kind, of one system or of all, with what there is of it."""
    facts = [
        item
        for item in planner_of(unit).facts
        if item.kind == kind and (not system or item.system == system)
    ]
    return _sizes(unit, facts, missing_ahead(unit) if facts else ())


def item_size(unit: Unit, ref: str, missing: Sequence[MissingOut]) -> SizeOut:
    """Give one catalogue line with what there is of it, and how many coming lists miss."""
    return _sizes(unit, list(catalogue.facts_of(unit.session, [ref]).values()), missing)[0]


@dataclass(slots=True)
class _Count:
    """Units of one item at the site."""

    here: int = 0
    promised: int = 0
    not_usable: int = 0


def _sizes(unit: Unit, facts: Sequence[ItemFacts], missing: Sequence[MissingOut]) -> list[SizeOut]:
    counts = _counts(unit, {item.ref for item in facts})
    needed = needed_by_ref(missing)
    coming: Counter[str] = Counter()
    for one in list_deliveries(unit).deliveries:
        coming[one.ref] += one.quantity
    return [_size(item, counts, needed, coming) for item in facts]


def _size(
    item: ItemFacts,
    counts: Mapping[str, _Count],
    needed: Mapping[str, int],
    coming: Mapping[str, int],
) -> SizeOut:
    count = counts.get(item.ref, _Count())
    names = set(SizeOut.model_fields) & set(ItemFacts.__dataclass_fields__)
    return SizeOut.model_validate(
        {
            **{name: getattr(item, name) for name in names},
            "size": describe_size(item),
            "here": count.here,
            "promised": count.promised,
            "free": count.here - count.promised - count.not_usable,
            "not_usable": count.not_usable,
            "needed": needed.get(item.ref, 0),
            "coming": coming.get(item.ref, 0),
        }
    )


def _counts(unit: Unit, refs: Collection[str]) -> dict[str, _Count]:
    found: dict[str, _Count] = {}
    recalled = planner_of(unit).recalled
    for row in stock.stock_rows(unit.session, site_id=unit.site_id, filters={}, refs=refs):
        count = found.setdefault(row.ref, _Count())
        count.here += row.quantity
        count.promised += row.held
        if why_not_usable(row, recalled, unit.today):
            count.not_usable += row.quantity - row.held
    return found


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
