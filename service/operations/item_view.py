"""One item: its lots by place, who they are promised to, what comes and what is missing."""

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Row

from service.core.items import describe_size
from service.errors import NotFound
from service.operations.catalogue import get_item
from service.operations.projection import projection_of
from service.operations.recalls import blocked_lots
from service.operations.schemas.items import ItemOut
from service.operations.schemas.stock_view import ItemView, LotAtPlace, LotHold, UnitsView
from service.operations.stock import list_deliveries, list_locations
from service.operations.stock_needs import missing_ahead
from service.operations.stock_view import item_size, why_not_usable
from service.operations.unit import Unit
from service.storage.queries import catalogue, codes, stock

__all__ = ["view_item", "view_units"]


def view_item(unit: Unit, ref: str) -> ItemView:
    """Give everything about an item's stock.

    Raises
    ------
    NotFound
        When the catalogue has no such item.
    """
    item = get_item(unit, ref)
    missing = missing_ahead(unit)
    return ItemView(
        item=item,
        size=item_size(unit, ref, missing),
        lots=_lots(unit, item),
        deliveries=[one for one in list_deliveries(unit).deliveries if one.ref == ref],
        missing=[one for one in missing if ref in one.refs],
        projection=projection_of(unit, [ref]),
    )


def view_units(unit: Unit, ref: str, which: Mapping[str, str]) -> UnitsView:
    """Give units of one lot in one place.

    Parameters
    ----------
    which
        ``lot``, ``serial``, ``ownership``, ``store`` and ``shelf``.

    Raises
    ------
    NotFound
        When the catalogue has no such item, or none of its units are there (any more).
    """
    item = get_item(unit, ref)
    for one in _lots(unit, item):
        if all(getattr(one, name) == value for name, value in which.items()):
            facts = catalogue.facts_of(unit.session, [ref])
            return UnitsView(
                item=item,
                size=describe_size(facts[ref]),
                units=one,
                places=[place for place in list_locations(unit) if place.kind != "theatre"],
            )
    name = which.get("lot") or which.get("serial") or "no lot"
    raise NotFound(
        f"{which.get('store')}, {which.get('shelf')} has no units of {ref}, {name}, any more: "
        "they have been moved or used. Open the item to see where they are."
    )


def _lots(unit: Unit, item: ItemOut) -> list[LotAtPlace]:
    """Give the item's units by use-by date, then lot and place."""
    rows = stock.stock_rows(unit.session, site_id=unit.site_id, filters={"ref": item.ref})
    holds = codes.holds_on(unit.session, unit.site_id, sorted({row.lot_id for row in rows}))
    recalled = blocked_lots(unit)
    found = [_lot_out(unit, row, holds, recalled) for row in rows]
    return sorted(
        found, key=lambda one: (one.use_by is None, one.use_by, one.lot, one.store, one.shelf)
    )


def _lot_out(
    unit: Unit, row: Row[Any], holds: Sequence[Row[Any]], recalled: set[int]
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
