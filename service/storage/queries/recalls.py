"""Reading recalls, and where recalled units are, were and went."""

from collections.abc import Sequence
from datetime import date
from typing import Any

from sqlalchemy import ColumnElement, Row, and_, case, exists, func, or_, select
from sqlmodel import Session, col

from service.core.recalls import comparable
from service.storage.tables import (
    CASE,
    ITEM,
    LOT,
    MOVEMENT,
    PAST_USE,
    PLACE,
    RECALL,
    Item,
    Recall,
)

#: Movements by which a unit leaves the house for good, for somebody else's, or nobody knows how.
_GOING = ("implant", "waste", "return", "loan_out", "write_off", "count")


def find(session: Session, notice: str) -> Recall | None:
    """Return a recall by its notice."""
    return session.execute(select(Recall).filter_by(notice=notice)).scalars().first()


def newest(session: Session, *, before: int | None, limit: int) -> list[tuple[Recall, str | None]]:
    """Return recalls with the REF they name, the newest first."""
    query = select(Recall, col(Item.ref)).outerjoin(Item, col(Item.id) == col(Recall.item_id))
    if before is not None:
        query = query.where(col(Recall.id) < before)
    rows = session.execute(query.order_by(col(Recall.id).desc()).limit(limit))
    return [(row[0], row[1]) for row in rows]


def active_on(session: Session, item_id: int, supplier: str) -> list[Recall]:
    """Return the recalls in force that may concern packs of an item, the oldest first."""
    query = select(Recall).where(
        col(Recall.lifted_at).is_(None),
        or_(col(Recall.item_id).is_(None), col(Recall.item_id) == item_id),
        col(Recall.supplier_key).in_(["", comparable(supplier)]),
    )
    return list(session.execute(query.order_by(col(Recall.id))).scalars())


def supplier_is_known(session: Session, supplier: str) -> bool:
    """Tell whether the catalogue has an item of a supplier, however it is written."""
    query = select(ITEM.c.id).where(ITEM.c.supplier_key == comparable(supplier)).limit(1)
    return session.execute(query).first() is not None


def blocked_lot_ids(session: Session) -> set[int]:
    """Return the lots that a recall in force names, or may name: they lack what it says."""
    query = (
        select(LOT.c.id)
        .join(ITEM, ITEM.c.id == LOT.c.item_id)
        .join(RECALL, and_(RECALL.c.lifted_at.is_(None), *_may_be_named()))
        .distinct()
    )
    return set(session.execute(query).scalars())


def names_recalled() -> ColumnElement[bool]:
    """Tell of a lot and its item, in another statement, whether a recall in force may name them."""
    return exists().where(RECALL.c.lifted_at.is_(None), *_may_be_named()).correlate(LOT, ITEM)


def names_for_certain() -> ColumnElement[bool]:
    """Tell of the same whether a recall in force names them, and nothing it says is unknown."""
    rules = [or_(theirs == "", theirs == ours) for theirs, ours in _PAIRS]
    item = or_(RECALL.c.item_id.is_(None), RECALL.c.item_id == ITEM.c.id)
    return exists().where(RECALL.c.lifted_at.is_(None), item, *rules).correlate(LOT, ITEM)


#: What a recall says, and what is on record of the lot and its item.
_PAIRS = (
    (RECALL.c.supplier_key, ITEM.c.supplier_key),
    (RECALL.c.lot_key, LOT.c.lot_key),
    (RECALL.c.serial_key, LOT.c.serial_key),
)


def _may_be_named() -> list[ColumnElement[bool]]:
    """Return what must hold of a lot and its item: ``core.recalls.may_be_named`` as a statement."""
    rules = [or_(theirs == "", ours == "", theirs == ours) for theirs, ours in _PAIRS]
    return [or_(RECALL.c.item_id.is_(None), RECALL.c.item_id == ITEM.c.id), *rules]


def lots_like(session: Session, recall: Recall) -> Sequence[Row[Any]]:
    """Return the lots that a recall names, or may name because their record lacks what it names."""
    query = select(
        LOT.c.id, LOT.c.lot_number, LOT.c.serial, LOT.c.item_id, ITEM.c.ref, ITEM.c.supplier
    ).join(ITEM, ITEM.c.id == LOT.c.item_id)
    if recall.item_id is not None:
        query = query.where(ITEM.c.id == recall.item_id)
    said = (recall.supplier, recall.lot_number, recall.serial)
    for named, (_, ours) in zip(said, _PAIRS, strict=True):
        if named:
            query = query.where(ours.in_(["", comparable(named)]))
    return session.execute(query.order_by(ITEM.c.ref, LOT.c.id)).all()


def units_gone(session: Session, site_id: int, lot_ids: Sequence[int]) -> Sequence[Row[Any]]:
    """Return how many units left, by lot, kind and case; what was corrected counts against it.

    A count that finds units missing is such a leaving; one that finds more brings none of them
    back, because nobody knows that they are the same.
    """
    taken_back = or_(MOVEMENT.c.kind != "count", MOVEMENT.c.corrects_seq.is_not(None))
    signed = case(
        (MOVEMENT.c.to_location_id.is_(None), MOVEMENT.c.quantity),
        (and_(MOVEMENT.c.from_location_id.is_(None), taken_back), -MOVEMENT.c.quantity),
        else_=0,
    )
    here = func.coalesce(MOVEMENT.c.from_location_id, MOVEMENT.c.to_location_id)
    query = (
        select(
            MOVEMENT.c.lot_id,
            MOVEMENT.c.kind,
            CASE.c.reference,
            func.sum(signed).label("quantity"),
            func.max(MOVEMENT.c.at, type_=MOVEMENT.c.at.type).label("last_at"),
        )
        .join(PLACE, PLACE.c.id == here)
        .outerjoin(CASE, CASE.c.id == MOVEMENT.c.case_id)
        .where(
            PLACE.c.site_id == site_id,
            MOVEMENT.c.lot_id.in_(lot_ids),
            MOVEMENT.c.kind.in_(_GOING),
        )
        .group_by(MOVEMENT.c.lot_id, MOVEMENT.c.kind, CASE.c.reference)
        .having(func.sum(signed) != 0)
        .order_by(MOVEMENT.c.lot_id, MOVEMENT.c.kind, CASE.c.reference)
    )
    return session.execute(query).all()


def used_before(session: Session, recall: Recall) -> Sequence[tuple[str, str, str, str, int, date]]:
    """Return recalled units of the history from before the ledger.

    Returns
    -------
    sequence of tuple
        REF, lot number, case, outcome, quantity, last day; a lot number that the history lacks is
        empty and comes along when the recall names a lot: nobody can tell.
    """
    query = (
        select(
            ITEM.c.ref,
            PAST_USE.c.lot_number,
            PAST_USE.c.case_reference,
            PAST_USE.c.outcome,
            func.sum(PAST_USE.c.quantity),
            func.max(PAST_USE.c.used_on),
        )
        .join(ITEM, ITEM.c.id == PAST_USE.c.item_id)
        .group_by(ITEM.c.ref, PAST_USE.c.lot_number, PAST_USE.c.case_reference, PAST_USE.c.outcome)
        .order_by(ITEM.c.ref, PAST_USE.c.lot_number, PAST_USE.c.case_reference, PAST_USE.c.outcome)
    )
    if recall.item_id is not None:
        query = query.where(ITEM.c.id == recall.item_id)
    if recall.supplier:
        query = query.where(ITEM.c.supplier_key == comparable(recall.supplier))
    if recall.lot_number:
        query = query.where(PAST_USE.c.lot_key.in_(["", comparable(recall.lot_number)]))
    return [tuple(row) for row in session.execute(query)]
