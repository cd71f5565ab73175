"""Reading loans: what came, what went back, what was used, where the rest is."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Row, func, select
from sqlmodel import Session

from service.storage.tables import (
    Balance,
    Item,
    LoanReturn,
    Location,
    Lot,
    Movement,
    OrderLine,
    OrderReceipt,
    SurgicalCase,
    table_of,
)

__all__ = [
    "gone_of_lots",
    "lot_places",
    "lots_of_loan",
    "receipts_of_lots",
    "serial_lots",
    "there_is",
    "uses_of_lots",
]

LINE, ITEM, LOT = table_of(OrderLine), table_of(Item), table_of(Lot)
RECEIPT, RETURN = table_of(OrderReceipt), table_of(LoanReturn)
MOVE, PLACE, BALANCE = table_of(Movement), table_of(Location), table_of(Balance)
CASE = table_of(SurgicalCase)


def lots_of_loan(session: Session, order_id: int) -> Sequence[Row[Any]]:
    """Give each lot that came with a loan once, by REF and lot."""
    query = (
        select(
            LINE.c.id.label("line_id"),
            ITEM.c.id.label("item_id"),
            ITEM.c.ref,
            LOT.c.id.label("lot_id"),
            LOT.c.lot_number,
            LOT.c.serial,
            LOT.c.sterility,
        )
        .distinct()
        .join(RECEIPT, RECEIPT.c.line_id == LINE.c.id)
        .join(MOVE, MOVE.c.seq == RECEIPT.c.movement_seq)
        .join(LOT, LOT.c.id == MOVE.c.lot_id)
        .join(ITEM, ITEM.c.id == LINE.c.item_id)
        .where(LINE.c.order_id == order_id)
        .order_by(ITEM.c.ref, LOT.c.id)
    )
    return session.execute(query).all()


def receipts_of_lots(session: Session, lot_ids: Sequence[int]) -> Sequence[Row[Any]]:
    """Give every receipt of these lots, whichever order it was for, the oldest first."""
    query = (
        select(RECEIPT.c.line_id, LINE.c.order_id, MOVE.c.seq, MOVE.c.lot_id, RECEIPT.c.quantity)
        .join(MOVE, MOVE.c.seq == RECEIPT.c.movement_seq)
        .join(LINE, LINE.c.id == RECEIPT.c.line_id)
        .where(MOVE.c.lot_id.in_(lot_ids))
        .order_by(MOVE.c.seq)
    )
    return session.execute(query).all()


def gone_of_lots(session: Session, lot_ids: Sequence[int]) -> Sequence[Row[Any]]:
    """Give how many units of these lots went back or were missing, by order line and lot."""
    returned, missing = func.sum(RETURN.c.quantity), func.sum(RETURN.c.missing)
    query = (
        select(
            RETURN.c.line_id,
            MOVE.c.lot_id,
            returned.label("returned"),
            missing.label("missing"),
            (returned + missing).label("gone"),
        )
        .join(MOVE, MOVE.c.seq == RETURN.c.movement_seq)
        .where(MOVE.c.lot_id.in_(lot_ids))
        .group_by(RETURN.c.line_id, MOVE.c.lot_id)
    )
    return session.execute(query).all()


def uses_of_lots(session: Session, lot_ids: Sequence[int]) -> Sequence[Row[Any]]:
    """Give what was used of these lots in a case, the oldest first."""
    query = (
        select(
            MOVE.c.seq,
            MOVE.c.kind,
            MOVE.c.quantity,
            MOVE.c.lot_id,
            CASE.c.reference.label("case_reference"),
        )
        .join(CASE, CASE.c.id == MOVE.c.case_id)
        .where(MOVE.c.lot_id.in_(lot_ids), MOVE.c.kind.in_(("implant", "waste")))
        .order_by(MOVE.c.seq)
    )
    return session.execute(query).all()


def lot_places(session: Session, lot_ids: Sequence[int]) -> Sequence[Row[Any]]:
    """Give where units of lots are, by store and shelf."""
    query = (
        select(
            BALANCE.c.lot_id,
            BALANCE.c.quantity,
            PLACE.c.site_id,
            PLACE.c.store,
            PLACE.c.shelf,
            PLACE.c.kind,
        )
        .join(PLACE, PLACE.c.id == BALANCE.c.location_id)
        .where(BALANCE.c.lot_id.in_(lot_ids), BALANCE.c.quantity > 0)
        .order_by(PLACE.c.store, PLACE.c.shelf)
    )
    return session.execute(query).all()


def there_is(session: Session, lot_id: int) -> int:
    """Count the units of a lot, wherever they are."""
    query = select(func.coalesce(func.sum(BALANCE.c.quantity), 0)).where(BALANCE.c.lot_id == lot_id)
    return int(session.execute(query).scalar_one())


def serial_lots(session: Session, item_id: int, serial: str) -> Sequence[Row[Any]]:
    """Give the lots of an item with a serial: units there are, and the newest line of each."""
    there = (
        select(func.coalesce(func.sum(BALANCE.c.quantity), 0))
        .where(BALANCE.c.lot_id == LOT.c.id)
        .scalar_subquery()
    )
    newest = (
        select(func.max(MOVE.c.seq))
        .where(MOVE.c.lot_id == LOT.c.id)
        .correlate(LOT)
        .scalar_subquery()
    )
    line = MOVE.alias("newest")
    query = (
        select(LOT.c.id, LOT.c.ownership, there.label("there"), line.c.kind, line.c.corrects_seq)
        .select_from(LOT)
        .outerjoin(line, line.c.seq == newest)
        .where(LOT.c.item_id == item_id, LOT.c.serial == serial)
        .order_by(LOT.c.id)
    )
    return session.execute(query).all()
