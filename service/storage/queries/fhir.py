"""Reading what goes out as FHIR, each kind in the order of its keys."""

from collections.abc import Sequence
from dataclasses import fields
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Row, Select, exists, func, select
from sqlmodel import Session

from service.core.items import ItemFacts
from service.storage.tables import (
    Balance,
    Item,
    Location,
    Lot,
    Movement,
    OrderLine,
    OrderReceipt,
    SupplyOrder,
    SurgicalCase,
    table_of,
)

__all__ = [
    "Source",
    "balances",
    "count",
    "implanted_units",
    "implants",
    "items",
    "lots",
    "one",
    "order_line",
    "order_lines",
    "receipts",
    "some",
]

ITEM, LOT, PLACE = table_of(Item), table_of(Lot), table_of(Location)
BALANCE, LEDGER, CASE = table_of(Balance), table_of(Movement), table_of(SurgicalCase)
ORDER, LINE, RECEIPT = table_of(SupplyOrder), table_of(OrderLine), table_of(OrderReceipt)

_FACTS = tuple(ITEM.c[field.name] for field in fields(ItemFacts))
_PLACE = (
    PLACE.c.id.label("location_id"),
    PLACE.c.store,
    PLACE.c.shelf,
    PLACE.c.kind.label("location_kind"),
)


class Source(NamedTuple):
    """Rows of one kind, and the column that orders them; no two rows have the same value."""

    query: Select[Any]
    key: ColumnElement[int]


def some(session: Session, source: Source, after: int, limit: int) -> Sequence[Row[Any]]:
    """Give the rows behind a key, at most ``limit`` of them, each with its key as ``cursor``."""
    query = (
        source.query.add_columns(source.key.label("cursor"))
        .where(source.key > after)
        .order_by(source.key)
        .limit(limit)
    )
    return session.execute(query).all()


def one(session: Session, source: Source, key: int) -> Row[Any] | None:
    """Give the row of a key, or ``None``."""
    return session.execute(source.query.where(source.key == key)).first()


def count(session: Session, source: Source) -> int:
    """Count all rows."""
    keys = source.query.with_only_columns(source.key).subquery()
    return int(session.execute(select(func.count()).select_from(keys)).scalar_one())


def items() -> Source:
    """Select the catalogue, which all sites share."""
    columns = (ITEM.c.id, ITEM.c.gtin, ITEM.c.emdn_code, ITEM.c.supplier, ITEM.c.pack_quantity)
    return Source(select(*_FACTS, *columns), ITEM.c.id)


def lots(site_id: int) -> Source:
    """Select the lots a site has, or once had, units of."""
    here = (
        select(BALANCE.c.lot_id, func.sum(BALANCE.c.quantity).label("units"))
        .join(PLACE, PLACE.c.id == BALANCE.c.location_id)
        .where(PLACE.c.site_id == site_id)
        .group_by(BALANCE.c.lot_id)
        .subquery()
    )
    query = (
        select(
            *items().query.selected_columns,
            LOT.c.id.label("lot_id"),
            LOT.c.lot_number,
            LOT.c.serial,
            LOT.c.use_by,
            LOT.c.ownership,
            LOT.c.sterility,
            here.c.units,
        )
        .join(LOT, LOT.c.item_id == ITEM.c.id)
        .join(here, here.c.lot_id == LOT.c.id)
    )
    return Source(query, LOT.c.id)


def order_lines(site_id: int) -> Source:
    """Select the lines of a site's orders; a bill for units that are here asks for nothing."""
    query = (
        select(
            *_FACTS,
            LINE.c.order_id,
            LINE.c.item_id,
            LINE.c.quantity,
            LINE.c.received,
            LINE.c.let_go,
            LINE.c.why,
            func.coalesce(LINE.c.due_at, ORDER.c.due_at).label("due_at"),
            ORDER.c.reference,
            ORDER.c.kind.label("order_kind"),
            ORDER.c.state,
            ORDER.c.supplier,
            ORDER.c.made_at,
        )
        .join(LINE, LINE.c.item_id == ITEM.c.id)
        .join(ORDER, ORDER.c.id == LINE.c.order_id)
        .where(ORDER.c.site_id == site_id, ORDER.c.kind != "bill_only")
    )
    return Source(query, LINE.c.id)


def order_line(session: Session, site_id: int, order_id: int, item_id: int) -> Row[Any] | None:
    """Give the line of an order that asks for an item, or ``None``."""
    query = order_lines(site_id).query
    found = query.where(LINE.c.order_id == order_id, LINE.c.item_id == item_id)
    return session.execute(found).first()


def receipts(site_id: int) -> Source:
    """Select what came for a site's orders."""
    query = (
        select(
            *_FACTS,
            *_PLACE,
            RECEIPT.c.movement_seq,
            RECEIPT.c.quantity,
            RECEIPT.c.at,
            LEDGER.c.lot_id,
            LINE.c.order_id,
            LINE.c.item_id,
            ORDER.c.supplier,
        )
        .join(LOT, LOT.c.item_id == ITEM.c.id)
        .join(LEDGER, LEDGER.c.lot_id == LOT.c.id)
        .join(RECEIPT, RECEIPT.c.movement_seq == LEDGER.c.seq)
        .join(LINE, LINE.c.id == RECEIPT.c.line_id)
        .join(ORDER, ORDER.c.id == LINE.c.order_id)
        .outerjoin(PLACE, PLACE.c.id == LEDGER.c.to_location_id)
        .where(ORDER.c.site_id == site_id)
    )
    return Source(query, RECEIPT.c.movement_seq)


def implants(site_id: int) -> Source:
    """Select the ledger's lines that implanted something in a case of a site."""
    query = (
        select(
            *_FACTS,
            ITEM.c.gtin,
            LEDGER.c.seq,
            LEDGER.c.quantity,
            LEDGER.c.at,
            LOT.c.id.label("lot_id"),
            LOT.c.lot_number,
            LOT.c.serial,
            LOT.c.use_by,
            CASE.c.reference,
            CASE.c.side.label("case_side"),
        )
        .join(LOT, LOT.c.item_id == ITEM.c.id)
        .join(LEDGER, LEDGER.c.lot_id == LOT.c.id)
        .join(CASE, CASE.c.id == LEDGER.c.case_id)
        .where(CASE.c.site_id == site_id, LEDGER.c.kind == "implant")
    )
    return Source(query, LEDGER.c.seq)


def implanted_units(session: Session, site_id: int) -> int:
    """Count the units implanted in cases of a site."""
    query = (
        select(func.coalesce(func.sum(LEDGER.c.quantity), 0))
        .join(CASE, CASE.c.id == LEDGER.c.case_id)
        .where(CASE.c.site_id == site_id, LEDGER.c.kind == "implant")
    )
    return int(session.execute(query).scalar_one())


def balances(session: Session, site_id: int) -> Sequence[Row[Any]]:
    """Give what lies where at a site, by location and lot, and when each was last counted."""
    place = func.coalesce(LEDGER.c.to_location_id, LEDGER.c.from_location_id).label("place")
    correction = LEDGER.alias("correction")
    counted = (
        select(LEDGER.c.lot_id, place, func.max(LEDGER.c.at).label("counted_at"))
        .where(
            LEDGER.c.kind == "count",
            LEDGER.c.corrects_seq.is_(None),
            ~exists(select(correction.c.seq).where(correction.c.corrects_seq == LEDGER.c.seq)),
        )
        .group_by(LEDGER.c.lot_id, place)
        .subquery()
    )
    query = (
        select(
            *_FACTS,
            *_PLACE,
            LOT.c.id.label("lot_id"),
            LOT.c.lot_number,
            LOT.c.serial,
            LOT.c.ownership,
            LOT.c.use_by,
            LOT.c.return_by,
            LOT.c.sterility,
            BALANCE.c.quantity,
            BALANCE.c.held,
            counted.c.counted_at,
        )
        .join(LOT, LOT.c.item_id == ITEM.c.id)
        .join(BALANCE, BALANCE.c.lot_id == LOT.c.id)
        .join(PLACE, PLACE.c.id == BALANCE.c.location_id)
        .outerjoin(counted, (counted.c.lot_id == LOT.c.id) & (counted.c.place == PLACE.c.id))
        .where(PLACE.c.site_id == site_id, BALANCE.c.quantity > 0)
        .order_by(PLACE.c.store, PLACE.c.shelf, ITEM.c.ref, LOT.c.id)
    )
    return session.execute(query).all()
