"""Reading orders, their lines, what came of them, and what is not billed yet."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Row, delete, select
from sqlmodel import Session, col

from service.storage.tables import (
    BilledUse,
    Item,
    LoanReturn,
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
    "billed_on",
    "expecting",
    "find_order",
    "forget_movement",
    "forget_uses",
    "line_of",
    "lines_of",
    "open_draft",
    "orders_of",
    "receipts_of",
    "references_like",
    "returns_of",
    "unbilled_uses",
]

ORDER, LINE, ITEM = table_of(SupplyOrder), table_of(OrderLine), table_of(Item)
RECEIPT, RETURN, BILLED = table_of(OrderReceipt), table_of(LoanReturn), table_of(BilledUse)
MOVE, LOT, PLACE = table_of(Movement), table_of(Lot), table_of(Location)
CASE = table_of(SurgicalCase)


def find_order(session: Session, site_id: int, reference: str) -> SupplyOrder | None:
    """Give a site's order by its reference."""
    query = select(SupplyOrder).filter_by(site_id=site_id, reference=reference)
    return session.execute(query).scalars().first()


def lines_of(session: Session, order_ids: Sequence[int]) -> list[tuple[OrderLine, Item]]:
    """Give the lines of orders with their items, by order and REF."""
    query = (
        select(OrderLine, Item)
        .join(Item, col(Item.id) == col(OrderLine.item_id))
        .where(col(OrderLine.order_id).in_(order_ids))
        .order_by(col(OrderLine.order_id), col(Item.ref))
    )
    return [(line, item) for line, item in session.execute(query)]


def line_of(session: Session, order_id: int, item_id: int) -> OrderLine | None:
    """Give the line of an order for an item."""
    query = select(OrderLine).filter_by(order_id=order_id, item_id=item_id)
    return session.execute(query).scalars().first()


def orders_of(
    session: Session,
    site_id: int,
    *,
    states: Sequence[str] = (),
    kinds: Sequence[str] = (),
    supplier: str | None = None,
    before: int | None = None,
    limit: int | None = None,
) -> list[SupplyOrder]:
    """Give a site's orders, the newest first."""
    query = select(SupplyOrder).where(col(SupplyOrder.site_id) == site_id)
    if states:
        query = query.where(col(SupplyOrder.state).in_(states))
    if kinds:
        query = query.where(col(SupplyOrder.kind).in_(kinds))
    if supplier is not None:
        query = query.where(col(SupplyOrder.supplier) == supplier)
    if before is not None:
        query = query.where(col(SupplyOrder.id) < before)
    query = query.order_by(col(SupplyOrder.id).desc())
    return list(session.execute(query if limit is None else query.limit(limit)).scalars())


def open_draft(session: Session, site_id: int, supplier: str, kind: str) -> SupplyOrder | None:
    """Give the oldest draft of a kind that a supplier's further lines go into."""
    query = select(SupplyOrder).filter_by(
        site_id=site_id, supplier=supplier, kind=kind, state="draft"
    )
    return session.execute(query.order_by(col(SupplyOrder.id))).scalars().first()


def references_like(session: Session, site_id: int, beginning: str) -> list[str]:
    """Give the references of a site's orders that begin so."""
    query = select(ORDER.c.reference).where(
        ORDER.c.site_id == site_id, ORDER.c.reference.startswith(beginning, autoescape=True)
    )
    return list(session.execute(query).scalars())


def expecting(session: Session, site_id: int, item_id: int) -> list[str]:
    """Give the references of sent orders with units of an item still to come, the oldest first."""
    query = (
        select(ORDER.c.reference)
        .join(LINE, LINE.c.order_id == ORDER.c.id)
        .where(
            ORDER.c.site_id == site_id,
            ORDER.c.state == "sent",
            ORDER.c.kind != "bill_only",
            LINE.c.item_id == item_id,
            LINE.c.quantity - LINE.c.received - LINE.c.let_go > 0,
        )
        .order_by(ORDER.c.id)
    )
    return list(session.execute(query).scalars())


_LOT_COLUMNS = (
    LOT.c.id.label("lot_id"),
    LOT.c.lot_number,
    LOT.c.serial,
    LOT.c.use_by,
    LOT.c.sterility,
    LOT.c.return_by,
)


def receipts_of(session: Session, order_id: int) -> Sequence[Row[Any]]:
    """Give what came for an order, the oldest first, with lot and shelf."""
    query = (
        select(
            RECEIPT.c.line_id,
            RECEIPT.c.movement_seq,
            RECEIPT.c.quantity,
            RECEIPT.c.at,
            RECEIPT.c.actor,
            MOVE.c.reason,
            LINE.c.item_id,
            ITEM.c.ref,
            ITEM.c.reusable,
            *_LOT_COLUMNS,
            PLACE.c.store,
            PLACE.c.shelf,
        )
        .join(LINE, LINE.c.id == RECEIPT.c.line_id)
        .join(ITEM, ITEM.c.id == LINE.c.item_id)
        .join(MOVE, MOVE.c.seq == RECEIPT.c.movement_seq)
        .join(LOT, LOT.c.id == MOVE.c.lot_id)
        .join(PLACE, PLACE.c.id == MOVE.c.to_location_id)
        .where(LINE.c.order_id == order_id)
        .order_by(RECEIPT.c.id)
    )
    return session.execute(query).all()


def returns_of(session: Session, order_id: int) -> Sequence[Row[Any]]:
    """Give what went back of a loan, or was missing, the oldest first."""
    query = (
        select(
            RETURN.c.line_id,
            RETURN.c.quantity,
            RETURN.c.missing,
            RETURN.c.note,
            RETURN.c.at,
            RETURN.c.actor,
            ITEM.c.ref,
            LOT.c.id.label("lot_id"),
            LOT.c.lot_number,
            LOT.c.serial,
        )
        .join(LINE, LINE.c.id == RETURN.c.line_id)
        .join(ITEM, ITEM.c.id == LINE.c.item_id)
        .join(MOVE, MOVE.c.seq == RETURN.c.movement_seq)
        .join(LOT, LOT.c.id == MOVE.c.lot_id)
        .where(LINE.c.order_id == order_id)
        .order_by(RETURN.c.id)
    )
    return session.execute(query).all()


_USE_COLUMNS = (
    MOVE.c.seq,
    MOVE.c.quantity,
    MOVE.c.at,
    ITEM.c.id.label("item_id"),
    ITEM.c.ref,
    ITEM.c.supplier,
    LOT.c.lot_number,
    LOT.c.serial,
    CASE.c.reference.label("case_reference"),
)


def unbilled_uses(session: Session, site_id: int) -> Sequence[Row[Any]]:
    """Give the uses of consigned units that no bill-only line pays for yet, the oldest first.

    A use takes consigned units off their lot for good; the line that puts them on the owned lot
    beside it is not one.
    """
    query = (
        select(*_USE_COLUMNS)
        .join(LOT, LOT.c.id == MOVE.c.lot_id)
        .join(ITEM, ITEM.c.id == LOT.c.item_id)
        .join(PLACE, PLACE.c.id == MOVE.c.from_location_id)
        .join(CASE, CASE.c.id == MOVE.c.case_id)
        .outerjoin(BILLED, BILLED.c.movement_seq == MOVE.c.seq)
        .where(
            PLACE.c.site_id == site_id,
            MOVE.c.kind == "consigned_use",
            LOT.c.ownership == "consigned",
            BILLED.c.movement_seq.is_(None),
        )
        .order_by(MOVE.c.seq)
    )
    return session.execute(query).all()


def billed_on(session: Session, order_id: int) -> Sequence[Row[Any]]:
    """Give the uses that a bill-only order pays for, the oldest first."""
    query = (
        select(*_USE_COLUMNS, BILLED.c.line_id)
        .join(BILLED, BILLED.c.movement_seq == MOVE.c.seq)
        .join(LINE, LINE.c.id == BILLED.c.line_id)
        .join(LOT, LOT.c.id == MOVE.c.lot_id)
        .join(ITEM, ITEM.c.id == LOT.c.item_id)
        .join(CASE, CASE.c.id == MOVE.c.case_id)
        .where(LINE.c.order_id == order_id)
        .order_by(MOVE.c.seq)
    )
    return session.execute(query).all()


def forget_uses(session: Session, line_ids: Sequence[int]) -> None:
    """Take uses off bill-only lines again: another order may pay for them."""
    session.execute(delete(BilledUse).where(col(BilledUse.line_id).in_(line_ids)))


def forget_movement(session: Session, seq: int) -> None:
    """Take back what a line of the ledger that is corrected meant to an order.

    Units that never came are outstanding again, and their order open; units that never went back
    are still to go back.
    """
    session.execute(delete(LoanReturn).where(col(LoanReturn.movement_seq) == seq))
    query = select(OrderReceipt).filter_by(movement_seq=seq)
    receipt = session.execute(query).scalars().first()
    if receipt is None:
        return
    line = session.get_one(OrderLine, receipt.line_id)
    order = session.get_one(SupplyOrder, line.order_id)
    line.received -= receipt.quantity
    if order.state == "received" and line.received + line.let_go < line.quantity:
        order.state, order.closed_at, order.closed_by, order.closed_why = "sent", None, "", ""
    order.version += 1
    session.delete(receipt)
    session.flush()
