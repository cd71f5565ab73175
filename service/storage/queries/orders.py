"""Reading orders, their lines, what came of them, and what is not billed yet."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Row, delete, func, select
from sqlmodel import Session, col

from service.storage.tables import (
    BALANCE,
    BILLED_USE,
    CASE,
    ITEM,
    LOAN_RETURN,
    LOT,
    MOVEMENT,
    ORDER,
    ORDER_LINE,
    PLACE,
    RECEIPT,
    BilledUse,
    Item,
    LoanReturn,
    OrderLine,
    OrderReceipt,
    SupplyOrder,
)


def find_order(session: Session, site_id: int, reference: str) -> SupplyOrder | None:
    """Return a site's order by its reference."""
    query = select(SupplyOrder).filter_by(site_id=site_id, reference=reference)
    return session.execute(query).scalars().first()


def lines_of(session: Session, order_ids: Sequence[int]) -> list[tuple[OrderLine, Item]]:
    """Return the lines of orders with their items, by order and REF."""
    query = (
        select(OrderLine, Item)
        .join(Item, col(Item.id) == col(OrderLine.item_id))
        .where(col(OrderLine.order_id).in_(order_ids))
        .order_by(col(OrderLine.order_id), col(Item.ref))
    )
    return [(line, item) for line, item in session.execute(query)]


def line_of(session: Session, order_id: int, item_id: int) -> OrderLine | None:
    """Return the line of an order for an item."""
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
    """Return a site's orders, the newest first."""
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
    """Return the oldest draft of a kind that a supplier's further lines go into."""
    query = select(SupplyOrder).filter_by(
        site_id=site_id, supplier=supplier, kind=kind, state="draft"
    )
    return session.execute(query.order_by(col(SupplyOrder.id))).scalars().first()


def references_like(session: Session, site_id: int, beginning: str) -> list[str]:
    """Return the references of a site's orders that begin so."""
    query = select(ORDER.c.reference).where(
        ORDER.c.site_id == site_id, ORDER.c.reference.startswith(beginning, autoescape=True)
    )
    return list(session.execute(query).scalars())


def expecting(session: Session, site_id: int, item_id: int) -> list[str]:
    """Return the references of sent orders that still expect units of an item, oldest first."""
    query = (
        select(ORDER.c.reference)
        .join(ORDER_LINE, ORDER_LINE.c.order_id == ORDER.c.id)
        .where(
            ORDER.c.site_id == site_id,
            ORDER.c.state == "sent",
            ORDER.c.kind != "bill_only",
            ORDER_LINE.c.item_id == item_id,
            ORDER_LINE.c.quantity - ORDER_LINE.c.received - ORDER_LINE.c.let_go > 0,
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
    """Return what came for an order, the oldest first, with lot and shelf."""
    query = (
        select(
            RECEIPT.c.line_id,
            RECEIPT.c.movement_seq,
            RECEIPT.c.quantity,
            RECEIPT.c.at,
            RECEIPT.c.actor,
            MOVEMENT.c.reason,
            ORDER_LINE.c.item_id,
            ITEM.c.ref,
            ITEM.c.reusable,
            *_LOT_COLUMNS,
            PLACE.c.store,
            PLACE.c.shelf,
        )
        .join(ORDER_LINE, ORDER_LINE.c.id == RECEIPT.c.line_id)
        .join(ITEM, ITEM.c.id == ORDER_LINE.c.item_id)
        .join(MOVEMENT, MOVEMENT.c.seq == RECEIPT.c.movement_seq)
        .join(LOT, LOT.c.id == MOVEMENT.c.lot_id)
        .join(PLACE, PLACE.c.id == MOVEMENT.c.to_location_id)
        .where(ORDER_LINE.c.order_id == order_id)
        .order_by(RECEIPT.c.id)
    )
    return session.execute(query).all()


def returns_of(session: Session, order_id: int) -> Sequence[Row[Any]]:
    """Return what went back of a loan, or was missing, the oldest first."""
    query = (
        select(
            LOAN_RETURN.c.line_id,
            LOAN_RETURN.c.quantity,
            LOAN_RETURN.c.missing,
            LOAN_RETURN.c.note,
            LOAN_RETURN.c.at,
            LOAN_RETURN.c.actor,
            ITEM.c.ref,
            LOT.c.id.label("lot_id"),
            LOT.c.lot_number,
            LOT.c.serial,
        )
        .join(ORDER_LINE, ORDER_LINE.c.id == LOAN_RETURN.c.line_id)
        .join(ITEM, ITEM.c.id == ORDER_LINE.c.item_id)
        .join(MOVEMENT, MOVEMENT.c.seq == LOAN_RETURN.c.movement_seq)
        .join(LOT, LOT.c.id == MOVEMENT.c.lot_id)
        .where(ORDER_LINE.c.order_id == order_id)
        .order_by(LOAN_RETURN.c.id)
    )
    return session.execute(query).all()


_USE_COLUMNS = (
    MOVEMENT.c.seq,
    MOVEMENT.c.quantity,
    MOVEMENT.c.at,
    ITEM.c.id.label("item_id"),
    ITEM.c.ref,
    ITEM.c.supplier,
    LOT.c.lot_number,
    LOT.c.serial,
    CASE.c.reference.label("case_reference"),
)


def unbilled_uses(session: Session, site_id: int) -> Sequence[Row[Any]]:
    """Return the uses of consigned units that no bill-only line pays for yet, the oldest first.

    A use takes consigned units off their lot for good; the line that puts them on the owned lot
    beside it is not one.
    """
    query = (
        select(*_USE_COLUMNS)
        .join(LOT, LOT.c.id == MOVEMENT.c.lot_id)
        .join(ITEM, ITEM.c.id == LOT.c.item_id)
        .join(PLACE, PLACE.c.id == MOVEMENT.c.from_location_id)
        .join(CASE, CASE.c.id == MOVEMENT.c.case_id)
        .outerjoin(BILLED_USE, BILLED_USE.c.movement_seq == MOVEMENT.c.seq)
        .where(
            PLACE.c.site_id == site_id,
            MOVEMENT.c.kind == "consigned_use",
            LOT.c.ownership == "consigned",
            BILLED_USE.c.movement_seq.is_(None),
        )
        .order_by(MOVEMENT.c.seq)
    )
    return session.execute(query).all()


def billed_on(session: Session, order_id: int) -> Sequence[Row[Any]]:
    """Return the uses that a bill-only order pays for, the oldest first."""
    query = (
        select(*_USE_COLUMNS, BILLED_USE.c.line_id)
        .join(BILLED_USE, BILLED_USE.c.movement_seq == MOVEMENT.c.seq)
        .join(ORDER_LINE, ORDER_LINE.c.id == BILLED_USE.c.line_id)
        .join(LOT, LOT.c.id == MOVEMENT.c.lot_id)
        .join(ITEM, ITEM.c.id == LOT.c.item_id)
        .join(CASE, CASE.c.id == MOVEMENT.c.case_id)
        .where(ORDER_LINE.c.order_id == order_id)
        .order_by(MOVEMENT.c.seq)
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


def lots_of_loan(session: Session, order_id: int) -> Sequence[Row[Any]]:
    """Return each lot that came with a loan once, by REF and lot."""
    query = (
        select(
            ORDER_LINE.c.id.label("line_id"),
            ITEM.c.id.label("item_id"),
            ITEM.c.ref,
            LOT.c.id.label("lot_id"),
            LOT.c.lot_number,
            LOT.c.serial,
            LOT.c.sterility,
        )
        .distinct()
        .join(RECEIPT, RECEIPT.c.line_id == ORDER_LINE.c.id)
        .join(MOVEMENT, MOVEMENT.c.seq == RECEIPT.c.movement_seq)
        .join(LOT, LOT.c.id == MOVEMENT.c.lot_id)
        .join(ITEM, ITEM.c.id == ORDER_LINE.c.item_id)
        .where(ORDER_LINE.c.order_id == order_id)
        .order_by(ITEM.c.ref, LOT.c.id)
    )
    return session.execute(query).all()


def receipts_of_lots(session: Session, lot_ids: Sequence[int]) -> Sequence[Row[Any]]:
    """Return every receipt of these lots, whichever order it was for, the oldest first."""
    query = (
        select(
            RECEIPT.c.line_id,
            ORDER_LINE.c.order_id,
            MOVEMENT.c.seq,
            MOVEMENT.c.lot_id,
            RECEIPT.c.quantity,
        )
        .join(MOVEMENT, MOVEMENT.c.seq == RECEIPT.c.movement_seq)
        .join(ORDER_LINE, ORDER_LINE.c.id == RECEIPT.c.line_id)
        .where(MOVEMENT.c.lot_id.in_(lot_ids))
        .order_by(MOVEMENT.c.seq)
    )
    return session.execute(query).all()


def gone_of_lots(session: Session, lot_ids: Sequence[int]) -> Sequence[Row[Any]]:
    """Return how many units of these lots went back or were missing, by order line and lot."""
    returned, missing = func.sum(LOAN_RETURN.c.quantity), func.sum(LOAN_RETURN.c.missing)
    query = (
        select(
            LOAN_RETURN.c.line_id,
            MOVEMENT.c.lot_id,
            returned.label("returned"),
            missing.label("missing"),
            (returned + missing).label("gone"),
        )
        .join(MOVEMENT, MOVEMENT.c.seq == LOAN_RETURN.c.movement_seq)
        .where(MOVEMENT.c.lot_id.in_(lot_ids))
        .group_by(LOAN_RETURN.c.line_id, MOVEMENT.c.lot_id)
    )
    return session.execute(query).all()


def uses_of_lots(session: Session, lot_ids: Sequence[int]) -> Sequence[Row[Any]]:
    """Return what was used of these lots in a case, the oldest first."""
    query = (
        select(
            MOVEMENT.c.seq,
            MOVEMENT.c.kind,
            MOVEMENT.c.quantity,
            MOVEMENT.c.lot_id,
            CASE.c.reference.label("case_reference"),
        )
        .join(CASE, CASE.c.id == MOVEMENT.c.case_id)
        .where(MOVEMENT.c.lot_id.in_(lot_ids), MOVEMENT.c.kind.in_(("implant", "waste")))
        .order_by(MOVEMENT.c.seq)
    )
    return session.execute(query).all()


def lot_places(session: Session, lot_ids: Sequence[int]) -> Sequence[Row[Any]]:
    """Return where units of lots are, by store and shelf."""
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


def units_of_lot(session: Session, lot_id: int) -> int:
    """Count the units of a lot, wherever they are."""
    query = select(func.coalesce(func.sum(BALANCE.c.quantity), 0)).where(BALANCE.c.lot_id == lot_id)
    return int(session.execute(query).scalar_one())


def serial_lots(session: Session, item_id: int, serial: str) -> Sequence[Row[Any]]:
    """Return the lots of an item with a serial: units there are, and the newest line of each."""
    there = (
        select(func.coalesce(func.sum(BALANCE.c.quantity), 0))
        .where(BALANCE.c.lot_id == LOT.c.id)
        .scalar_subquery()
    )
    newest = (
        select(func.max(MOVEMENT.c.seq))
        .where(MOVEMENT.c.lot_id == LOT.c.id)
        .correlate(LOT)
        .scalar_subquery()
    )
    line = MOVEMENT.alias("newest")
    query = (
        select(
            LOT.c.id,
            LOT.c.ownership,
            there.label("there"),
            line.c.kind,
            line.c.corrects_seq,
        )
        .select_from(LOT)
        .outerjoin(line, line.c.seq == newest)
        .where(LOT.c.item_id == item_id, LOT.c.serial == serial)
        .order_by(LOT.c.id)
    )
    return session.execute(query).all()
