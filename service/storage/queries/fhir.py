"""Reading what goes out as FHIR, each kind in the order of its keys."""

from collections.abc import Sequence
from dataclasses import fields
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Row, Select, exists, func, select
from sqlmodel import Session

from service.core.catalogue import ItemFacts
from service.storage.tables import (
    BALANCE,
    CASE,
    ITEM,
    LOT,
    MOVEMENT,
    ORDER,
    ORDER_LINE,
    PLACE,
    RECEIPT,
)

_FACTS = tuple(ITEM.c[field.name] for field in fields(ItemFacts))


_PLACE = (
    PLACE.c.id.label("location_id"),
    PLACE.c.store,
    PLACE.c.shelf,
    PLACE.c.kind.label("location_kind"),
)


class RowSource(NamedTuple):
    """Rows of one kind, and the column that orders them; no two rows have the same value."""

    query: Select[Any]
    key: ColumnElement[int]


def rows_after(session: Session, source: RowSource, after: int, limit: int) -> Sequence[Row[Any]]:
    """Return the rows behind a key, at most ``limit`` of them, each with its key as ``cursor``."""
    query = (
        source.query.add_columns(source.key.label("cursor"))
        .where(source.key > after)
        .order_by(source.key)
        .limit(limit)
    )
    return session.execute(query).all()


def row_of_key(session: Session, source: RowSource, key: int) -> Row[Any] | None:
    """Return the row of a key, or ``None``."""
    return session.execute(source.query.where(source.key == key)).first()


def count_rows(session: Session, source: RowSource) -> int:
    """Count all rows."""
    keys = source.query.with_only_columns(source.key).subquery()
    return int(session.execute(select(func.count()).select_from(keys)).scalar_one())


def items() -> RowSource:
    """Select the catalogue, which all sites share."""
    columns = (ITEM.c.id, ITEM.c.gtin, ITEM.c.emdn_code, ITEM.c.supplier, ITEM.c.pack_quantity)
    return RowSource(select(*_FACTS, *columns), ITEM.c.id)


def lots(site_id: int) -> RowSource:
    """Select the lots a site has, or once had, units of."""
    here = (
        select(BALANCE.c.lot_id, func.sum(BALANCE.c.quantity).label("units"))
        .join(PLACE, PLACE.c.id == BALANCE.c.location_id)
        .where(PLACE.c.site_id == site_id, PLACE.c.kind != "transit")
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
    return RowSource(query, LOT.c.id)


def order_lines(site_id: int) -> RowSource:
    """Select the lines of a site's orders; a bill for units that are here asks for nothing."""
    query = (
        select(
            *_FACTS,
            ORDER_LINE.c.order_id,
            ORDER_LINE.c.item_id,
            ORDER_LINE.c.quantity,
            ORDER_LINE.c.received,
            ORDER_LINE.c.let_go,
            ORDER_LINE.c.why,
            func.coalesce(ORDER_LINE.c.due_at, ORDER.c.due_at).label("due_at"),
            ORDER.c.reference,
            ORDER.c.kind.label("order_kind"),
            ORDER.c.state,
            ORDER.c.supplier,
            ORDER.c.made_at,
        )
        .join(ORDER_LINE, ORDER_LINE.c.item_id == ITEM.c.id)
        .join(ORDER, ORDER.c.id == ORDER_LINE.c.order_id)
        .where(ORDER.c.site_id == site_id, ORDER.c.kind != "bill_only")
    )
    return RowSource(query, ORDER_LINE.c.id)


def order_line(session: Session, site_id: int, order_id: int, item_id: int) -> Row[Any] | None:
    """Return the line of an order that asks for an item, or ``None``."""
    query = order_lines(site_id).query
    found = query.where(ORDER_LINE.c.order_id == order_id, ORDER_LINE.c.item_id == item_id)
    return session.execute(found).first()


def receipts(site_id: int) -> RowSource:
    """Select what came for a site's orders."""
    query = (
        select(
            *_FACTS,
            *_PLACE,
            RECEIPT.c.movement_seq,
            RECEIPT.c.quantity,
            RECEIPT.c.at,
            MOVEMENT.c.lot_id,
            ORDER_LINE.c.order_id,
            ORDER_LINE.c.item_id,
            ORDER.c.supplier,
        )
        .join(LOT, LOT.c.item_id == ITEM.c.id)
        .join(MOVEMENT, MOVEMENT.c.lot_id == LOT.c.id)
        .join(RECEIPT, RECEIPT.c.movement_seq == MOVEMENT.c.seq)
        .join(ORDER_LINE, ORDER_LINE.c.id == RECEIPT.c.line_id)
        .join(ORDER, ORDER.c.id == ORDER_LINE.c.order_id)
        .outerjoin(PLACE, PLACE.c.id == MOVEMENT.c.to_location_id)
        .where(ORDER.c.site_id == site_id)
    )
    return RowSource(query, RECEIPT.c.movement_seq)


def implants(site_id: int) -> RowSource:
    """Select the ledger's lines that implanted something in a case of a site."""
    query = (
        select(
            *_FACTS,
            ITEM.c.gtin,
            MOVEMENT.c.seq,
            MOVEMENT.c.quantity,
            MOVEMENT.c.at,
            LOT.c.id.label("lot_id"),
            LOT.c.lot_number,
            LOT.c.serial,
            LOT.c.use_by,
            CASE.c.reference,
            CASE.c.side.label("case_side"),
        )
        .join(LOT, LOT.c.item_id == ITEM.c.id)
        .join(MOVEMENT, MOVEMENT.c.lot_id == LOT.c.id)
        .join(CASE, CASE.c.id == MOVEMENT.c.case_id)
        .where(CASE.c.site_id == site_id, MOVEMENT.c.kind == "implant")
    )
    return RowSource(query, MOVEMENT.c.seq)


def implanted_units(session: Session, site_id: int) -> int:
    """Count the units implanted in cases of a site."""
    query = (
        select(func.coalesce(func.sum(MOVEMENT.c.quantity), 0))
        .join(CASE, CASE.c.id == MOVEMENT.c.case_id)
        .where(CASE.c.site_id == site_id, MOVEMENT.c.kind == "implant")
    )
    return int(session.execute(query).scalar_one())


def balances(session: Session, site_id: int) -> Sequence[Row[Any]]:
    """Return what lies where at a site, by location and lot, and when each was last counted."""
    place = func.coalesce(MOVEMENT.c.to_location_id, MOVEMENT.c.from_location_id).label("place")
    correction = MOVEMENT.alias("correction")
    counted = (
        select(MOVEMENT.c.lot_id, place, func.max(MOVEMENT.c.at).label("counted_at"))
        .where(
            MOVEMENT.c.kind == "count",
            MOVEMENT.c.corrects_seq.is_(None),
            ~exists(select(correction.c.seq).where(correction.c.corrects_seq == MOVEMENT.c.seq)),
        )
        .group_by(MOVEMENT.c.lot_id, place)
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
        .where(PLACE.c.site_id == site_id, PLACE.c.kind != "transit", BALANCE.c.quantity > 0)
        .order_by(PLACE.c.store, PLACE.c.shelf, ITEM.c.ref, LOT.c.id)
    )
    return session.execute(query).all()
