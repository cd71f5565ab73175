"""A stock take from a file: what was counted where; the differences go to the ledger."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from service.exchange.rows import StockRow
from service.operations.imports.plan import ImportPlan
from service.operations.lots import use_by_fault
from service.operations.unit import Unit
from service.storage.queries import catalogue, stock
from service.storage.tables import Location

__all__ = ["plan_stock_take"]

LotKey = tuple[int, str, str, str]
PlaceKey = tuple[str, str]


@dataclass(slots=True)
class _Take:
    """What the file asks for, gathered row by row."""

    unit: Unit
    plan: ImportPlan
    items: dict[str, catalogue.Supplied]
    lots: dict[LotKey, stock.LotFacts]
    places: dict[PlaceKey, int]
    there: dict[tuple[int, int], tuple[int, int]]
    trays: set[PlaceKey] = field(default_factory=set)
    new_lots: dict[LotKey, stock.LotFacts] = field(default_factory=dict)
    new_places: dict[PlaceKey, None] = field(default_factory=dict)
    counted: list[tuple[LotKey, PlaceKey, int]] = field(default_factory=list)


def plan_stock_take(unit: Unit, rows: Sequence[tuple[int, StockRow]]) -> ImportPlan:
    """Compare a stock take with the balances."""
    take = _Take(
        unit,
        ImportPlan(),
        catalogue.supplied_by_ref(unit.session),
        stock.lots(unit.session),
        {
            (row.store, row.shelf): row.id or 0
            for row in stock.locations(unit.session, unit.site_id)
        },
        stock.balances_with_held(unit.session),
    )
    take.trays = {
        (row.store, row.shelf)
        for row in stock.locations(unit.session, unit.site_id)
        if row.kind == "theatre"
    }
    for number, row in rows:
        _plan_row(take, number, row)
    if take.new_places:
        count = len(take.new_places)
        take.plan.notes.append(f"{count} shelves were not known and are made.")
    take.plan.later(_write, take)
    return take.plan


def _plan_row(take: _Take, number: int, row: StockRow) -> None:
    item = take.items.get(row.ref)
    if item is None:
        take.plan.fault(number, "ref", f"the catalogue has no item with REF {row.ref}")
        return
    key = (item.item_id, row.lot or "", row.serial or "", row.ownership)
    sterility = row.sterility or ("sterile" if item.sterile else "unsterile")
    reason = use_by_fault(
        supplied_sterile=item.sterile,
        reusable=item.reusable,
        sterility=sterility,
        use_by=row.use_by,
    )
    if reason is not None:
        take.plan.fault(number, "use_by", reason)
        return
    facts = stock.LotFacts(None, row.use_by, row.return_by, sterility)
    known = take.lots.get(key) or take.new_lots.get(key)
    if known is None:
        take.new_lots[key] = facts
    elif (fault := _differs(known, facts)) is not None:
        take.plan.fault(number, *fault)
        return
    place = (row.store, row.shelf)
    if place in take.trays:
        take.plan.fault(
            number, "shelf", "this is a case's tray; count its packs on the case's page"
        )
        return
    quantity, held = 0, 0
    if place not in take.places:
        take.new_places[place] = None
    elif known is not None and known.id is not None:
        quantity, held = take.there.get((known.id, take.places[place]), (0, 0))
    if row.quantity < held:
        take.plan.fault(number, "quantity", f"{held} of these are promised to cases; release first")
    elif row.quantity == quantity:
        take.plan.unchanged += 1
    else:
        take.plan.added += quantity == 0
        take.plan.changed += quantity != 0
        take.counted.append((key, place, row.quantity - quantity))


def _differs(known: stock.LotFacts, facts: stock.LotFacts) -> tuple[str, str] | None:
    for name in ("use_by", "return_by", "sterility"):
        theirs, ours = getattr(known, name), getattr(facts, name)
        if theirs != ours:
            return name, f"this lot is on record with {name} {theirs}; check the label"
    return None


def _write(take: _Take) -> None:
    unit = take.unit
    unit.session.add_all(
        Location(site_id=unit.site_id, store=store, shelf=shelf, kind=_kind(store))
        for store, shelf in take.new_places
    )
    unit.session.flush()
    wanted = {key for key, _, _ in take.counted}
    stock.insert_lots(
        unit.session, {key: facts for key, facts in take.new_lots.items() if key in wanted}
    )
    lots = stock.lots(unit.session)
    places = {(row.store, row.shelf): row.id for row in stock.locations(unit.session, unit.site_id)}
    stock.post(
        unit.session,
        [
            {
                "at": unit.now,
                "kind": "count",
                "lot_id": lots[key].id,
                "from_location_id": places[place] if change < 0 else None,
                "to_location_id": places[place] if change > 0 else None,
                "quantity": abs(change),
                "reason": "stock take",
                "actor": unit.actor,
            }
            for key, place, change in take.counted
        ],
    )


def _kind(store: str) -> str:
    return "quarantine" if "quarantine" in store.lower() else "shelf"
