"""The site's stock, orders and implant log as FHIR R5 resources, to be read and never written."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from typing import Any
from urllib.parse import urlencode

from sqlalchemy import Row

from service.core.catalogue import ItemFacts
from service.errors import BadInput, FieldFault, NotFound
from service.exchange.fhir.devices import (
    DeviceArticle,
    DevicePack,
    ImplantedUnit,
    device,
    device_definition,
    device_name,
    device_usage,
    printed_udi,
)
from service.exchange.fhir.supply import (
    InventoryPlace,
    ReceivedUnits,
    RequestedLine,
    StatusUnits,
    inventory_report,
    status_units,
    supply_delivery,
    supply_request,
)
from service.exchange.fhir.terms import FhirSite, capability_statement, search_set
from service.operations.planner import planner_of
from service.operations.stock_units import units_of
from service.operations.work import Unit
from service.storage.queries import fhir
from service.storage.tables import Site

Json = dict[str, Any]


#: What each type of resource holds, in the order of the capability statement.
RESOURCES: Mapping[str, str] = {
    "DeviceDefinition": "A line of the catalogue, which all sites of the service share.",
    "Device": "A lot or serial the site has, or once had, units of: active while it has some.",
    "InventoryReport": "One snapshot, made when it is read: what is where, and in what state.",
    "SupplyRequest": "A line of an order, loan or call-off; all lines of one share its identifier.",
    "SupplyDelivery": "Units received for a line of an order and put on a shelf.",
    "DeviceUsage": "One implanted unit, from the ledger; without the patient.",
}


_FACT_NAMES = [field.name for field in fields(ItemFacts)]


#: Both databases have keys of at least so many digits.
_MOST_DIGITS = 9


@dataclass(frozen=True, slots=True)
class _Page:
    """Some resources, how many there are in all, and behind which key the next page begins."""

    found: list[Json]
    total: int
    following: str | None


def capability(unit: Unit, base: str, version: str) -> Json:
    """Say what can be asked.

    Parameters
    ----------
    base
        The address of the FHIR service, without a slash at its end.
    version
        The version of this service.
    """
    return capability_statement(base, _site(unit), version, RESOURCES)


def search(unit: Unit, resource_type: str, base: str, *, after: str, count: int) -> Json:
    """Return resources of a type in the order of their keys, some at a time, as a Bundle.

    Parameters
    ----------
    resource_type
        One of ``RESOURCES``.
    base
        The address of the FHIR service, without a slash at its end.
    after
        The id behind which the page begins; empty for the first page.
    count
        How many resources at most; with 0 only their number is told.
    """
    page = _page(unit, resource_type, after, count)

    def address(behind: str) -> str:
        asked = {"_count": str(count), **({"after": behind} if behind else {})}
        return f"{base}/{resource_type}?{urlencode(asked)}"

    following = address(page.following) if page.following is not None and count else None
    return search_set(base, page.found, total=page.total, this=address(after), following=following)


def read(unit: Unit, resource_type: str, key: str) -> Json:
    """Return one resource.

    Raises
    ------
    NotFound
        There is none of that id, or it is another site's.
    """
    if resource_type == "InventoryReport":
        report = _inventory(unit)
        found = report if report["id"] == key else None
    elif resource_type == "DeviceUsage":
        found = _one_usage(unit, key)
    elif resource_type == "SupplyRequest":
        found = _one_request(unit, key)
    else:
        made = _kind(unit, resource_type)
        row = (
            None
            if (number := _number(key)) is None
            else fhir.row_of_key(unit.session, made[0], number)
        )
        found = None if row is None else made[1](row)
    if found is None:
        raise NotFound(f"{resource_type} {key} was not found.")
    return found


def _page(unit: Unit, resource_type: str, after: str, count: int) -> _Page:
    if resource_type == "InventoryReport":
        report = [] if after else [_inventory(unit)]
        return _Page(report[:count], 1, None)
    if resource_type == "DeviceUsage":
        return _usages(unit, after, count)
    source, make = _kind(unit, resource_type)
    rows = fhir.rows_after(unit.session, source, _behind(after), count + 1)
    found = [make(row) for row in rows[:count]]
    following = str(rows[count - 1].cursor) if count and len(rows) > count else None
    return _Page(found, fhir.count_rows(unit.session, source), following)


def _kind(unit: Unit, resource_type: str) -> tuple[fhir.RowSource, Callable[[Row[Any]], Json]]:
    """Return where the rows of a type are, and what makes a resource of one."""
    site = _site(unit)
    if resource_type == "DeviceDefinition":
        return fhir.items(), lambda row: device_definition(_article(row))
    if resource_type == "Device":
        return fhir.lots(unit.site_id), lambda row: device(_pack(row))
    if resource_type == "SupplyRequest":
        return fhir.order_lines(unit.site_id), lambda row: supply_request(site, _request(row))
    return fhir.receipts(unit.site_id), lambda row: supply_delivery(site, _arrival(row))


def _site(unit: Unit) -> FhirSite:
    row = unit.session.get_one(Site, unit.site_id)
    return FhirSite(row.code, row.name)


def _number(key: str) -> int | None:
    """Read a key as this service writes it: no zeros before it, no sign, no more than there are."""
    if not (key.isascii() and key.isdecimal() and len(key) <= _MOST_DIGITS):
        return None
    return int(key) if str(int(key)) == key else None


def _pair(key: str) -> tuple[int | None, int | None]:
    """Read a key made of two."""
    first, _, second = key.partition("-")
    return _number(first), _number(second)


def _behind(after: str) -> int:
    number = _number(after) if after else 0
    if number is None:
        reason = "this is not a valid place to continue from; start again without it"
        raise BadInput("The page was not found.", faults=[FieldFault("/after", reason)])
    return number


def _facts(row: Row[Any]) -> ItemFacts:
    return ItemFacts(*(getattr(row, name) for name in _FACT_NAMES))


def _article(row: Row[Any]) -> DeviceArticle:
    return DeviceArticle(
        row.id, _facts(row), row.gtin, row.emdn_code, row.supplier, int(row.pack_quantity)
    )


def _what(row: Row[Any]) -> str:
    """Name an item for people: its REF, description and size."""
    facts = _facts(row)
    return f"{facts.ref}, {device_name(facts)}"


def _pack(row: Row[Any]) -> DevicePack:
    return DevicePack(
        id=row.lot_id,
        article=_article(row),
        lot_number=row.lot_number,
        serial=row.serial,
        use_by=row.use_by,
        ownership=row.ownership,
        sterility=row.sterility,
        is_here=row.units > 0,
    )


def _request(row: Row[Any]) -> RequestedLine:
    return RequestedLine(
        key=f"{row.order_id}-{row.item_id}",
        order=row.reference,
        kind=row.order_kind,
        state=row.state,
        supplier=row.supplier,
        item_id=row.item_id,
        what=_what(row),
        quantity=row.quantity,
        received=row.received,
        let_go=row.let_go,
        made_at=row.made_at,
        due_at=row.due_at,
        why=tuple(row.why),
    )


def _one_request(unit: Unit, key: str) -> Json | None:
    order, item = _pair(key)
    if order is None or item is None:
        return None
    row = fhir.order_line(unit.session, unit.site_id, order, item)
    return None if row is None else supply_request(_site(unit), _request(row))


def _shelf(row: Row[Any]) -> InventoryPlace:
    return InventoryPlace(row.location_id, row.store, row.shelf, row.location_kind)


def _arrival(row: Row[Any]) -> ReceivedUnits:
    return ReceivedUnits(
        id=row.movement_seq,
        request=f"{row.order_id}-{row.item_id}",
        lot_id=row.lot_id,
        what=_what(row),
        supplier=row.supplier,
        quantity=row.quantity,
        at=row.at,
        shelf=None if row.location_id is None else _shelf(row),
    )


def _inventory(unit: Unit) -> Json:
    recalled = planner_of(unit).recalled
    found = []
    for row in fhir.balances(unit.session, unit.site_id):
        units_by_status = status_units(
            units_of(row, recalled),
            row.held,
            unit.today,
            is_in_theatre=row.location_kind == "theatre",
        )
        found += [
            StatusUnits(_shelf(row), status, row.counted_at, row.lot_id, _what(row), units)
            for status, units in units_by_status.items()
        ]
    return inventory_report(_site(unit), f"stock-{unit.site_id}", unit.now, found)


def _implanted(row: Row[Any], number: int) -> ImplantedUnit:
    printed = None
    if row.gtin is not None:
        printed = printed_udi(row.gtin, use_by=row.use_by, lot=row.lot_number, serial=row.serial)
    return ImplantedUnit(
        key=f"{row.seq}-{number}",
        lot_id=row.lot_id,
        what=", ".join(part for part in (_what(row), printed) if part),
        case=row.reference,
        side=row.case_side,
        at=row.at,
    )


def _usages(unit: Unit, after: str, count: int) -> _Page:
    """Return implanted units, each on its own: a line of the ledger may have several."""
    site = _site(unit)
    line, _, last = after.partition("-")
    first, used = _behind(line), (_behind(last) if after else 0)
    # The line the last page ended in may have units left; it comes again, so two more than asked.
    rows = fhir.rows_after(unit.session, fhir.implants(unit.site_id), max(first - 1, 0), count + 2)
    units = [
        _implanted(row, number)
        for row in rows
        for number in range(1, row.quantity + 1)
        if (row.seq, number) > (first, used)
    ]
    following = units[count - 1].key if count and len(units) > count else None
    found = [device_usage(site, one) for one in units[:count]]
    return _Page(found, fhir.implanted_units(unit.session, unit.site_id), following)


def _one_usage(unit: Unit, key: str) -> Json | None:
    seq, number = _pair(key)
    if seq is None or number is None:
        return None
    row = fhir.row_of_key(unit.session, fhir.implants(unit.site_id), seq)
    if row is None or not 1 <= number <= row.quantity:
        return None
    return device_usage(_site(unit), _implanted(row, number))
