"""A stock take from a file: what was counted where; the differences go to the ledger."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

from service.core.lots import copies_fault, use_by_fault
from service.exchange.sheets.columns import DeliveryRow, StockRow
from service.exchange.sheets.columns import UsageRow as UsageLine
from service.operations.imports.plan import ImportPlan
from service.operations.locations import ledger_line
from service.operations.orders.receive import (
    KIND_OF,
    Expected,
    delivery_line,
    delivery_misfit,
    sent_order,
)
from service.operations.orders.states import order_allows
from service.operations.stock.arrivals import (
    NONE_UNFIT,
    PackName,
    UnfitUnits,
    pack_name,
    turns_up_unfit,
    unfit_units,
)
from service.operations.work import Unit
from service.storage.queries import catalogue, orders, stock
from service.storage.tables import Item, Location, OrderLine, SupplyOrder

LotKey = tuple[int, str, str, str]


PlaceKey = tuple[str, str]


@dataclass(slots=True)
class _StockTake:
    """What the file asks for, gathered row by row."""

    unit: Unit
    plan: ImportPlan
    items: dict[str, catalogue.Supplied]
    lots: dict[LotKey, stock.LotFacts]
    places: dict[PlaceKey, int]
    there: dict[tuple[int, int], tuple[int, int]]
    kinds: dict[PlaceKey, str]
    unfit: Mapping[PackName, UnfitUnits]
    new_lots: dict[LotKey, stock.LotFacts] = field(default_factory=dict)
    new_places: dict[PlaceKey, None] = field(default_factory=dict)
    counted: list[tuple[LotKey, PlaceKey, int]] = field(default_factory=list)


#: What is counted elsewhere, by the kind of its place.
_UNCOUNTED = {
    "theatre": "this is the tray of a case; count its packs on the page of the case",
    "transit": "this is for units in transit; receive them on the Transfers page",
}


def plan_stock_take(unit: Unit, rows: Sequence[tuple[int, StockRow]]) -> ImportPlan:
    """Compare a stock take with the balances."""
    places = stock.locations(unit.session, unit.site_id)
    take = _StockTake(
        unit,
        ImportPlan(),
        catalogue.supplied_by_ref(unit.session),
        stock.lots(unit.session),
        {(row.store, row.shelf): row.id or 0 for row in places},
        stock.balances_with_held(unit.session),
        {(row.store, row.shelf): row.kind for row in places},
        unfit_units(unit),
    )
    for number, row in rows:
        _plan_count(take, number, row)
    _refuse_twins(take, rows)
    if take.new_places:
        count = len(take.new_places)
        take.plan.notes.append(f"{count} new shelves are added.")
    take.plan.later(_write, take)
    return take.plan


def _plan_count(take: _StockTake, number: int, row: StockRow) -> None:
    item = take.items.get(row.ref)
    if item is None:
        take.plan.fault(number, "ref", f"REF {row.ref} is not in the catalogue")
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
    twins = copies_fault(
        reusable=item.reusable,
        serial=row.serial or "",
        sterility=sterility,
        copies=row.quantity,
    )
    if twins is not None:
        take.plan.fault(number, "serial", twins)
        return
    facts = stock.LotFacts(None, row.use_by, row.return_by, sterility)
    known = take.lots.get(key) or take.new_lots.get(key)
    if known is None:
        take.new_lots[key] = facts
    elif (fault := _differs(known, facts)) is not None:
        take.plan.fault(number, *fault)
        return
    place = (row.store, row.shelf)
    kind = take.kinds.get(place) or _kind(row.store)
    if kind in _UNCOUNTED:
        take.plan.fault(number, "shelf", _UNCOUNTED[kind])
        return
    _plan_difference(take, number, row, key, kind)


def _refuse_twins(take: _StockTake, rows: Sequence[tuple[int, StockRow]]) -> None:
    """Refuse a serial that would be in two places, whoever owns it."""
    total: Counter[tuple[int, str]] = Counter()
    keys = {facts.id: key for key, facts in take.lots.items()}
    for (lot_id, _), (quantity, _) in take.there.items():
        if lot_id in keys:
            total[keys[lot_id][0], keys[lot_id][2]] += quantity
    for key, _, change in take.counted:
        total[key[0], key[2]] += change
    for number, row in rows:
        item = take.items.get(row.ref)
        if item is None or not row.serial or not row.quantity:
            continue
        twin = copies_fault(
            reusable=item.reusable,
            serial=row.serial,
            sterility=row.sterility or "sterile",
            copies=total[item.item_id, row.serial],
        )
        if twin is not None:
            take.plan.fault(number, "serial", twin)


def _plan_difference(take: _StockTake, number: int, row: StockRow, key: LotKey, kind: str) -> None:
    """Compare what was counted of a lot in a place with what is on record there."""
    place, known = (row.store, row.shelf), take.lots.get(key)
    quantity, held = 0, 0
    if place not in take.places:
        take.new_places[place] = None
    elif known is not None and known.id is not None:
        quantity, held = take.there.get((known.id, take.places[place]), (0, 0))
    unfit = _turns_up_unfit(take, key, place, kind) if row.quantity > quantity else None
    if row.quantity < held:
        take.plan.fault(
            number,
            "quantity",
            f"{held} of these are reserved for cases; release the reservations first",
        )
    elif unfit is not None:
        take.plan.fault(number, "quantity", unfit)
    elif row.quantity == quantity:
        take.plan.unchanged += 1
    else:
        take.plan.added += quantity == 0
        take.plan.changed += quantity != 0
        take.counted.append((key, place, row.quantity - quantity))


def _turns_up_unfit(take: _StockTake, key: LotKey, place: PlaceKey, kind: str) -> str | None:
    found = take.unfit.get(pack_name(*key[:3]), NONE_UNFIT)
    return turns_up_unfit(take.unit, found, kind, take.places.get(place))


def _differs(known: stock.LotFacts, facts: stock.LotFacts) -> tuple[str, str] | None:
    for name in ("use_by", "return_by", "sterility"):
        theirs, ours = getattr(known, name), getattr(facts, name)
        if theirs != ours:
            return name, f"this lot is recorded with {name} {theirs}; check the label"
    return None


def _write(take: _StockTake) -> None:
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
    # The rows are kept while lines are written: each line asks what kind of place it is about.
    places = {(row.store, row.shelf): row for row in stock.locations(unit.session, unit.site_id)}
    stock.post_movements(
        unit.session,
        [
            ledger_line(
                unit,
                "count",
                lots[key].id,
                abs(change),
                origin=places[place].id if change < 0 else None,
                target=places[place].id if change > 0 else None,
                reason="stock take",
            )
            for key, place, change in take.counted
        ],
    )


def _kind(store: str) -> str:
    return "quarantine" if "quarantine" in store.lower() else "shelf"


@dataclass(slots=True)
class _PlannedOrders:
    """The orders a file speaks of, as they will be; those it makes are not stored yet."""

    unit: Unit
    plan: ImportPlan
    orders: dict[str, SupplyOrder] = field(default_factory=dict)


def plan_deliveries(unit: Unit, rows: Sequence[tuple[int, DeliveryRow]]) -> ImportPlan:
    """Compare a delivery file with what is known to be on its way."""
    desk = _PlannedOrders(unit, ImportPlan())
    ids = catalogue.ids_by_ref(unit.session)
    for number, row in rows:
        item = unit.session.get(Item, ids[row.ref]) if row.ref in ids else None
        if item is None:
            desk.plan.fault(number, "ref", f"REF {row.ref} is not in the catalogue")
        elif row.due_at is None:
            desk.plan.fault(number, "due_at", "enter when it is due, or leave the row out")
        elif row.ownership == "loan" and row.usable_from is None:
            desk.plan.fault(
                number, "usable_from", "a loan arrives unsterile: enter when it can be used"
            )
        else:
            _plan_delivery(desk, number, item, _expected(unit, row))
    return desk.plan


def _expected(unit: Unit, row: DeliveryRow) -> Expected:
    due_at = unit.moment(row.due_at) if row.due_at else unit.now
    return Expected(
        row.reference,
        row.ref,
        row.quantity,
        row.ownership,
        due_at,
        unit.moment(row.usable_from) if row.usable_from else due_at,
        row.return_by,
        row.supplier,
    )


def _plan_delivery(desk: _PlannedOrders, number: int, item: Item, expected: Expected) -> None:
    made = desk.orders.get(expected.reference)
    order = made or orders.find_order(desk.unit.session, desk.unit.site_id, expected.reference)
    if order is None:
        order = desk.orders[expected.reference] = sent_order(desk.unit, expected, item)
        desk.plan.later(_add_order, desk.unit, order)
    line = orders.line_of(desk.unit.session, order.id, item.id or 0) if order.id else None
    if line is None:
        wrong = delivery_misfit(order, expected)
        if wrong is not None:
            desk.plan.fault(number, *wrong)
            return
        desk.plan.added += 1
        desk.plan.later(_add_line, desk.unit, order, expected, item)
        return
    _plan_known(desk, number, order, line, expected)


def _add_order(unit: Unit, order: SupplyOrder) -> None:
    unit.session.add(order)
    unit.session.flush()


def _add_line(unit: Unit, order: SupplyOrder, expected: Expected, item: Item) -> None:
    unit.session.add(delivery_line(order, expected, item))


def _plan_known(
    desk: _PlannedOrders, number: int, order: SupplyOrder, line: OrderLine, expected: Expected
) -> None:
    """Compare a row with a line on record; what has begun to come is not changed by a file."""
    wanted = _facts(order, expected)
    known = (
        line.quantity,
        order.ownership,
        line.due_at or order.due_at,
        line.usable_from or order.usable_from,
        order.return_by,
        order.supplier,
    )
    if wanted == known:
        desk.plan.unchanged += 1
        return
    if not order_allows(order.state, "receive") or line.received or line.let_go:
        reason = (
            f"order {order.reference} is {order.state}, with {line.received} of {line.quantity} "
            "received: change the order, not the file"
        )
        desk.plan.fault(number, "reference", reason)
        return
    wrong = delivery_misfit(order, expected)
    alone = len(orders.lines_of(desk.unit.session, [order.id or 0])) == 1
    if wrong is not None and not (alone and expected.reference not in desk.orders):
        desk.plan.fault(number, *wrong)
        return
    desk.orders[expected.reference] = order
    desk.plan.changed += 1
    desk.plan.later(_change, order, line, expected, alone)


_Facts = tuple[int, str, object, object, date | None, str]


def _facts(order: SupplyOrder, expected: Expected) -> _Facts:
    return (
        expected.quantity,
        expected.ownership,
        expected.due_at,
        expected.usable_from,
        expected.return_by,
        expected.supplier or order.supplier,
    )


def _change(order: SupplyOrder, line: OrderLine, expected: Expected, alone: bool) -> None:
    line.quantity = line.wanted = expected.quantity
    if alone:
        order.kind, order.ownership = KIND_OF[expected.ownership], expected.ownership
        order.supplier = expected.supplier or order.supplier
        order.return_by = expected.return_by
        order.due_at, order.usable_from = expected.due_at, expected.usable_from
        line.due_at = line.usable_from = None
    else:
        line.due_at, line.usable_from = expected.due_at, expected.usable_from
    order.version += 1


def plan_usage(unit: Unit, rows: Sequence[tuple[int, UsageLine]]) -> ImportPlan:
    """Compare a usage file with what is on record."""
    plan = ImportPlan()
    ids = catalogue.ids_by_ref(unit.session)
    known = stock.quantities(unit.session)
    new = []
    for number, row in rows:
        item_id = ids.get(row.ref)
        if item_id is None:
            plan.fault(number, "ref", f"REF {row.ref} is not in the catalogue")
            continue
        if row.used_on > unit.today:
            plan.fault(number, "used_on", f"{row.used_on} is in the future")
            continue
        key = (item_id, row.used_on, row.lot or "", row.case_reference or "", row.outcome)
        if key not in known:
            new.append(dict(zip(stock.KEY, key, strict=True), quantity=row.quantity))
            plan.added += 1
        elif known[key] == row.quantity:
            plan.unchanged += 1
        else:
            plan.fault(
                number, "quantity", f"this use is already recorded with quantity {known[key]}"
            )
    plan.later(stock.insert_many, unit.session, new)
    return plan
