"""Stock by family and size: what is here, promised, free, and what coming lists miss."""

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from itertools import pairwise
from typing import Any

from sqlalchemy import Row

from service.core.catalogue import ItemFacts, describe_size
from service.core.constructs.kit_lines import KitLine
from service.core.cover.projection import ProjectedDay, project_stock
from service.core.cover.results import CaseCheck, Gap, LineCheck
from service.core.cover.units import Claim, StockUnits, unusable_reason
from service.errors import Conflict, NotFound
from service.operations.catalogue import get_item, taught_codes
from service.operations.cover.requirements import CaseRequirements, case_requirements, check_until
from service.operations.locations import places_to_go
from service.operations.planner import planner_of
from service.operations.stock.movements import list_deliveries
from service.operations.stock_units import read_stock_units, units_of, why_not_usable
from service.operations.work import Unit
from service.schemas.catalogue import ItemOut
from service.schemas.stock import (
    ExpiringOut,
    ExpiringUnits,
    FamilyOut,
    FirstUse,
    ItemView,
    ListShortageOut,
    LotAtPlace,
    LotHold,
    ProjectedDayOut,
    ProjectionOut,
    SizeStockOut,
    StockChangeOut,
    UnitsView,
    Worth,
)
from service.storage.queries import catalogue, stock

#: Kind and system.
Family = tuple[str, str | None]


#: What a family has as the sum of its sizes.
_AMOUNTS = ("here", "promised", "free", "not_usable", "coming")


def families(unit: Unit) -> list[FamilyOut]:
    """Return every kind of every system with its units, those of no system last."""
    found: dict[Family, FamilyOut] = {}
    missing = shortages_ahead(unit)
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


def sizes_of(unit: Unit, kind: str, system: str = "") -> list[SizeStockOut]:
    """Return every catalogue line of a kind, of one system or of all, with what there is of it."""
    facts = [
        item
        for item in planner_of(unit).facts
        if item.kind == kind and (not system or item.system == system)
    ]
    return _sizes(unit, facts, shortages_ahead(unit) if facts else ())


def item_size(unit: Unit, ref: str, missing: Sequence[ListShortageOut]) -> SizeStockOut:
    """Return one catalogue line with what there is of it, and how many coming lists miss."""
    return _sizes(unit, list(catalogue.facts_of(unit.session, [ref]).values()), missing)[0]


@dataclass(slots=True)
class _UnitCount:
    """Units of one item at the site."""

    here: int = 0
    promised: int = 0
    not_usable: int = 0
    in_transit: int = 0


def _sizes(
    unit: Unit, facts: Sequence[ItemFacts], missing: Sequence[ListShortageOut]
) -> list[SizeStockOut]:
    counts = _counts(unit, {item.ref for item in facts})
    needed = needed_by_ref(missing)
    coming: Counter[str] = Counter()
    for one in list_deliveries(unit).deliveries:
        coming[one.ref] += one.quantity
    return [_size(item, counts, needed, coming) for item in facts]


def _size(
    item: ItemFacts,
    counts: Mapping[str, _UnitCount],
    needed: Mapping[str, int],
    coming: Mapping[str, int],
) -> SizeStockOut:
    count = counts.get(item.ref, _UnitCount())
    names = set(SizeStockOut.model_fields) & set(ItemFacts.__dataclass_fields__)
    return SizeStockOut.model_validate(
        {
            **{name: getattr(item, name) for name in names},
            "size": describe_size(item),
            "here": count.here,
            "promised": count.promised,
            "free": count.here - count.promised - count.not_usable,
            "not_usable": count.not_usable,
            "needed": needed.get(item.ref, 0),
            "coming": coming.get(item.ref, 0) + count.in_transit,
        }
    )


def _counts(unit: Unit, refs: Collection[str]) -> dict[str, _UnitCount]:
    found: dict[str, _UnitCount] = {}
    recalled = planner_of(unit).recalled
    for row in stock.stock_rows(unit.session, site_id=unit.site_id, filters={}, refs=refs):
        if row.location_kind == "transit":
            found.setdefault(row.ref, _UnitCount()).in_transit += row.quantity
            continue
        count = found.setdefault(row.ref, _UnitCount())
        count.here += row.quantity
        count.promised += row.held
        if why_not_usable(row, recalled, unit.today):
            count.not_usable += row.quantity - row.held
    return found


#: How far ahead lists are looked through for a case that could use what expires.
_DAYS_OF_LISTS = 14


def expiring(unit: Unit, days: int) -> ExpiringOut:
    """Return what expires within some days of the site's date, already expired first.

    Parameters
    ----------
    days
        0 to some thousands; a lot whose last day is ``days`` from today is still in.
    """
    until = unit.today + timedelta(days=days)
    rows = stock.expiring(unit.session, unit.site_id, until)
    chances = _chances(unit) if rows else {}
    blocked = planner_of(unit).recalled
    claims = _claims(unit) if rows else {}
    units = [_out(unit, row, _first_use(units_of(row, blocked), chances, claims)) for row in rows]
    worth: dict[str, int] = defaultdict(int)
    for one in units:
        if one.value_minor is not None and one.currency is not None:
            worth[one.currency] += one.value_minor
    return ExpiringOut(
        today=unit.today,
        days=days,
        until=until,
        units=units,
        worth=[Worth(currency=name, value_minor=sum_) for name, sum_ in sorted(worth.items())],
        without_price=sum(one.quantity for one in units if one.value_minor is None),
    )


def _chances(unit: Unit) -> dict[str, list[FirstUse]]:
    """Return the coming cases that could take an item, by its REF, in order of start."""
    last = unit.today + timedelta(days=_DAYS_OF_LISTS)
    found: dict[str, list[FirstUse]] = defaultdict(list)
    for one in case_requirements(unit, last):
        labels: dict[str, str] = {}
        for line in _lines(one):
            for ref in line.refs:
                labels.setdefault(ref, line.label)
        for ref, label in labels.items():
            found[ref].append(
                FirstUse(
                    case=one.row.reference,
                    list_date=one.operating_list.list_date,
                    theatre=one.operating_list.theatre,
                    label=label,
                )
            )
    return found


def _lines(one: CaseRequirements) -> Iterator[KitLine]:
    if one.case is not None:
        for construct in one.case.constructs:
            yield from construct.lines
        yield from one.case.near


def _claims(unit: Unit) -> dict[str, list[Claim]]:
    """Return the promises in force by units; sets are away for spans of time and left out."""
    found: dict[str, list[Claim]] = defaultdict(list)
    for claim in planner_of(unit).claims:
        if not claim.is_set:
            found[claim.key].append(claim)
    return found


def _out(unit: Unit, row: Row[Any], first_use: FirstUse | None) -> ExpiringUnits:
    price, currency = row.unit_price_minor, row.currency
    # An amount without its currency is no value, and an unknown price is not zero.
    value = None if price is None or currency is None else price * row.quantity
    facts = {
        **row._asdict(),
        "lot": row.lot_number,
        "days_left": (row.use_by - unit.today).days,
        "is_expired": row.use_by < unit.today,
        "value_minor": value,
        "first_use": first_use,
    }
    return ExpiringUnits.model_validate(facts)


def _first_use(
    units: StockUnits,
    chances: Mapping[str, Sequence[FirstUse]],
    claims: Mapping[str, Sequence[Claim]],
) -> FirstUse | None:
    """Return the first case the units count for, and are not all promised to others on its day."""
    own = claims.get(units.key, ())
    return next(
        (
            one
            for one in chances.get(units.ref, ())
            if unusable_reason(units, one.list_date, case=one.case, claims=own) is None
        ),
        None,
    )


def view_item(unit: Unit, ref: str) -> ItemView:
    """Return everything about an item's stock.

    Raises
    ------
    NotFound
        When the catalogue has no such item.
    """
    item = get_item(unit, ref)
    missing = shortages_ahead(unit)
    return ItemView(
        item=item,
        size=item_size(unit, ref, missing),
        lots=_lots(unit, item),
        deliveries=[one for one in list_deliveries(unit).deliveries if one.ref == ref],
        missing=[one for one in missing if ref in one.refs],
        projection=projection_of(unit, [ref]),
        codes=taught_codes(unit, ref),
    )


def view_units(unit: Unit, ref: str, which: Mapping[str, str]) -> UnitsView:
    """Return units of one lot in one place.

    Parameters
    ----------
    which
        ``lot``, ``serial``, ``ownership``, ``store`` and ``shelf``.

    Raises
    ------
    NotFound
        When the catalogue has no such item, or none of its units are there (any more).
    Conflict
        When they are in transit: nothing is done with them before they are received.
    """
    item = get_item(unit, ref)
    for one in _lots(unit, item):
        if all(getattr(one, name) == value for name, value in which.items()):
            if one.location_kind == "transit":
                raise Conflict(
                    "These units have not arrived: receive them on the Transfers page, or write "
                    "them off there."
                )
            facts = catalogue.facts_of(unit.session, [ref])
            return UnitsView(
                item=item,
                size=describe_size(facts[ref]),
                units=one,
                places=places_to_go(unit),
            )
    name = which.get("lot") or which.get("serial") or "no lot"
    raise NotFound(
        f"{which.get('store')}, {which.get('shelf')} no longer has units of {ref}, {name}: they "
        "have been moved or used. Open the item to see where they are."
    )


def _lots(unit: Unit, item: ItemOut) -> list[LotAtPlace]:
    """Return the item's units by use-by date, then lot and place."""
    rows = stock.stock_rows(unit.session, site_id=unit.site_id, filters={"ref": item.ref})
    holds = catalogue.holds_on(unit.session, unit.site_id, sorted({row.lot_id for row in rows}))
    recalled = planner_of(unit).recalled
    found = [_lot_out(unit, row, holds, recalled) for row in rows]
    return sorted(
        found, key=lambda one: (one.use_by is None, one.use_by, one.lot, one.store, one.shelf)
    )


def _lot_out(
    unit: Unit, row: Row[Any], holds: Sequence[Row[Any]], recalled: Collection[int]
) -> LotAtPlace:
    facts = row._asdict()
    return LotAtPlace.model_validate(
        {
            **facts,
            "lot": facts["lot_number"],
            "not_usable": why_not_usable(row, recalled, unit.today),
            "holds": [
                LotHold(
                    case=hold.reference,
                    list_date=hold.list_date,
                    theatre=hold.theatre,
                    quantity=hold.quantity,
                )
                for hold in holds
                if (hold.lot_id, hold.location_id) == (row.lot_id, row.location_id)
            ],
        }
    )


#: How far the page looks ahead.
WEEKS = 6


def projection_of(unit: Unit, refs: Sequence[str], weeks: int = WEEKS) -> ProjectionOut:
    """Project the stock of items that serve alike, with today's promises and deliveries.

    Returns
    -------
    ProjectionOut
        Today, and every later day on which something changes.
    """
    last = unit.today + timedelta(weeks=weeks)
    days = project_stock(
        read_stock_units(unit, set(refs)), planner_of(unit).claims, unit.today, last, unit.zone
    )
    telling = [days[0]]
    for before, day in pairwise(days):
        same = (before.there, before.promised, before.coming)
        if day.changes or same != (day.there, day.promised, day.coming):
            telling.append(day)
    return ProjectionOut(
        first=unit.today,
        last=last,
        there_now=days[0].there,
        days=[_day_out(one) for one in telling],
    )


def _day_out(day: ProjectedDay) -> ProjectedDayOut:
    return ProjectedDayOut(
        day=day.day,
        there=day.there,
        promised=day.promised,
        free=day.free,
        coming=day.coming,
        changes=[StockChangeOut.model_validate(change) for change in day.changes],
    )


#: How far ahead lists are looked through.
DAYS_AHEAD = 28


def shortages_ahead(unit: Unit) -> list[ListShortageOut]:
    """Return what the lists of the coming weeks miss, in order of start; the same check as a day's.

    A case that could do with either of two constructs misses the larger of both gaps, not the sum:
    only one of them is implanted.
    """
    last = unit.today + timedelta(days=DAYS_AHEAD)
    checked = check_until(unit, last)
    found = []
    for one in case_requirements(unit, last):
        result = checked.get(one.row.reference)
        for gap, refs, missing in _gaps(result) if result is not None else ():
            found.append(
                ListShortageOut(
                    case=one.row.reference,
                    list_date=one.operating_list.list_date,
                    theatre=one.operating_list.theatre,
                    refs=list(refs),
                    what=gap.what,
                    because=gap.because,
                    missing=missing,
                    sentence=gap.sentence,
                )
            )
    return found


def _gaps(result: CaseCheck) -> list[tuple[Gap, tuple[str, ...], int]]:
    """Return each thing a case misses once: the most any of its constructs misses of it."""
    most: dict[tuple[str, ...], int] = defaultdict(int)
    first: dict[tuple[str, ...], Gap] = {}
    for lines in (*(construct.lines for construct in result.constructs), result.near):
        for refs, missing in _missing(lines).items():
            most[refs] = max(most[refs], missing)
        for line in lines:
            if line.gap is not None and line.gap.can_be_closed:
                first.setdefault(line.line.refs, line.gap)
    return [(gap, refs, most[refs]) for refs, gap in first.items()]


def _missing(lines: Iterable[LineCheck]) -> Counter[tuple[str, ...]]:
    found: Counter[tuple[str, ...]] = Counter()
    for line in lines:
        if line.gap is not None:
            found[line.line.refs] += line.gap.missing
    return found


def needed_by_ref(missing: Iterable[ListShortageOut]) -> Counter[str]:
    """Return how many units the coming lists miss of each item, served by others or not."""
    needed: Counter[str] = Counter()
    for one in missing:
        for ref in one.refs:
            needed[ref] += one.missing
    return needed
