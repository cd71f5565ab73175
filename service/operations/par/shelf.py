"""What of each item is here today, what it costs, how long it takes to come and how long it keeps.

An item of the case mix may be several references that stand for each other. The one used most
gives price and lead time; what all of them have on the shelf counts together.
"""

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

from sqlalchemy import Row

from service.core.units import unusable_reason
from service.operations.par.mix import refs_of
from service.operations.recalls import blocked_lots
from service.operations.schemas.par import OnShelf
from service.operations.stock_units import units_of
from service.operations.unit import Unit
from service.operations.usage_seen import Seen
from service.storage.queries import demand as demand_queries
from service.storage.queries import par as queries
from service.storage.queries import stock
from service.storage.tables import ParLevel

__all__ = ["Kept", "LeftAside", "Shelf", "on_shelf", "read_shelf"]


@dataclass(frozen=True, slots=True)
class Kept:
    """One item whose level is judged.

    Parameters
    ----------
    name
        Its name in the case mix.
    refs
        The references that stand for it, the one used most first.
    today
        The level of each reference today.
    shelf_life_days
        Median of days from receipt to use-by date, or None where no lot tells.
    """

    name: str
    refs: tuple[str, ...]
    today: Mapping[str, int]
    unit_price_minor: int
    lead_time_days: int
    shelf_life_days: float | None

    @property
    def level_today(self) -> int:
        """Units of all its references together."""
        return sum(self.today.values())


@dataclass(frozen=True, slots=True)
class LeftAside:
    """An item that cannot be judged, and why."""

    ref: str
    why: str


@dataclass(frozen=True, slots=True)
class Shelf:
    """Everything about the items of the case mix that is not in the plans."""

    kept: tuple[Kept, ...]
    left: tuple[LeftAside, ...]
    currency: str
    facts: Mapping[str, Row[Any]]
    on_shelf: Mapping[str, OnShelf]
    levels: Mapping[str, ParLevel]


def read_shelf(unit: Unit, names: Sequence[str], seen: Seen) -> Shelf:
    """Read prices, lead times, levels and what is on the shelves, for items of the case mix."""
    facts = queries.supply_facts(unit.session)
    levels = queries.levels_of(unit.session, unit.site_id)
    here = on_shelf(unit)
    lives = _shelf_lives(unit)
    used = {ref: one.used for ref, one in seen.items.items()}
    currency = _usual_currency(facts, names)
    kept, left = [], []
    for name in names:
        refs = sorted(
            (ref for ref in refs_of(name) if ref in facts),
            key=lambda ref: (-used.get(ref, 0), ref),
        )
        why = [_unfit(facts[ref], currency) for ref in refs]
        fit = [ref for ref, reason in zip(refs, why, strict=True) if reason is None]
        if not fit:
            left.append(LeftAside(name, why[0] if why and why[0] else "not in the catalogue"))
            continue
        told = [life for ref in refs if (life := lives.get(ref)) is not None]
        kept.append(
            Kept(
                name,
                tuple(refs),
                {ref: _today(ref, levels, here) for ref in refs},
                facts[fit[0]].unit_price_minor,
                facts[fit[0]].lead_time_days,
                told[0] if told else None,
            )
        )
    return Shelf(tuple(kept), tuple(left), currency, facts, here, levels)


def on_shelf(unit: Unit) -> dict[str, OnShelf]:
    """Give the units on the site's shelves that count towards a level, by reference."""
    recalled = blocked_lots(unit)
    found: dict[str, Counter[str]] = defaultdict(Counter)
    for row in stock.stock_rows(unit.session, site_id=unit.site_id, filters={}):
        # A loan goes back: it is nobody's level. What is promised is on the shelf until it is used.
        stays = row.location_kind == "shelf" and row.ownership in {"owned", "consigned"}
        if stays and unusable_reason(units_of(row, recalled), unit.today) is None:
            found[row.ref][row.ownership] += row.quantity
    return {
        ref: OnShelf(owned=units["owned"], consigned=units["consigned"])
        for ref, units in found.items()
    }


def _today(ref: str, levels: Mapping[str, ParLevel], here: Mapping[str, OnShelf]) -> int:
    """Give the level in force; without one, what lies on the shelf is what is kept."""
    if ref in levels:
        return levels[ref].level
    return here[ref].owned + here[ref].consigned if ref in here else 0


def _usual_currency(facts: Mapping[str, Row[Any]], names: Sequence[str]) -> str:
    """Give the currency most items of the mix are priced in; the first by name among equals."""
    refs = [ref for name in names for ref in refs_of(name) if ref in facts]
    counts = Counter(facts[ref].currency for ref in refs if facts[ref].currency)
    return min(counts, key=lambda one: (-counts[one], one), default="")


def _unfit(row: Row[Any], currency: str) -> str | None:
    """Say why an item cannot be judged, or give None."""
    missing = []
    if row.unit_price_minor is None or row.currency is None:
        missing.append("price")
    if row.lead_time_days is None:
        missing.append("lead time")
    if missing:
        return f"its {' and '.join(missing)} {'are' if len(missing) > 1 else 'is'} not known"
    if row.currency != currency:
        return f"it is priced in {row.currency} and not in {currency}"
    return None


def _shelf_lives(unit: Unit) -> dict[str, float]:
    """Give the median of the days from receipt to use-by date, by reference."""
    days: dict[str, list[int]] = defaultdict(list)
    for row in demand_queries.received_lots(unit.session, unit.site_id):
        days[row.ref].append(max(0, (row.use_by - unit.local(row.at).date()).days))
    return {ref: float(median(own)) for ref, own in days.items()}
