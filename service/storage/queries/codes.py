"""Looking up scanned packs: whose code it is, which lots are meant, where their units are."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Row, select
from sqlmodel import Session, col

from service.storage.tables import (
    Balance,
    CasePack,
    Hold,
    Item,
    ItemCode,
    Location,
    Lot,
    OperatingList,
    SurgicalCase,
    table_of,
)

__all__ = ["holds_on", "item_of_code", "lots_of", "packs_of", "units_of"]

PLACE = table_of(Location)
BALANCE = table_of(Balance)
PACK = table_of(CasePack)
HOLD = table_of(Hold)
CASE = table_of(SurgicalCase)
LIST = table_of(OperatingList)


def item_of_code(session: Session, code: str) -> Item | None:
    """Give the item of a code: by the catalogue's GTIN first, then by what has been learned."""
    row: Item | None = session.execute(select(Item).filter_by(gtin=code)).scalars().first()
    if row is None:
        learned = session.get(ItemCode, code)
        row = None if learned is None else session.get(Item, learned.item_id)
    return row


def lots_of(session: Session, item_id: int, lot_number: str, serial: str) -> list[Lot]:
    """Give the lots on record that a label may mean.

    What label and record both carry must be the same, and at least one of lot number and serial
    must be; a record that has only the lot of a label with both is meant too.
    """
    query = select(Lot).where(col(Lot.item_id) == item_id)
    if lot_number and serial:
        both = col(Lot.lot_number).in_([lot_number, ""]) & col(Lot.serial).in_([serial, ""])
        query = query.where(both)
    elif lot_number:
        query = query.where(col(Lot.lot_number) == lot_number)
    else:
        query = query.where(col(Lot.serial) == serial, col(Lot.serial) != "")
    rows = list(session.execute(query.order_by(col(Lot.id))).scalars())
    exact = [row for row in rows if serial and row.serial == serial]
    return exact or rows


def units_of(session: Session, site_id: int, lot_ids: Sequence[int]) -> Sequence[Row[Any]]:
    """Give where units of these lots are, how many and how many of them are promised."""
    query = (
        select(
            BALANCE.c.lot_id,
            BALANCE.c.quantity,
            BALANCE.c.held,
            PLACE.c.id.label("location_id"),
            PLACE.c.store,
            PLACE.c.shelf,
            PLACE.c.kind,
        )
        .join(PLACE, PLACE.c.id == BALANCE.c.location_id)
        .where(
            PLACE.c.site_id == site_id,
            BALANCE.c.lot_id.in_(lot_ids),
            BALANCE.c.quantity > 0,
        )
        .order_by(PLACE.c.store, PLACE.c.shelf, BALANCE.c.lot_id)
    )
    return session.execute(query).all()


def packs_of(session: Session, site_id: int, lot_ids: Sequence[int]) -> Sequence[Row[Any]]:
    """Give the packs of these lots on the trays of a site's cases, by list day and case."""
    query = (
        select(
            PACK.c.lot_id,
            PACK.c.picked,
            PACK.c.returned,
            (PACK.c.picked - PACK.c.returned - PACK.c.implanted - PACK.c.wasted).label("open"),
            CASE.c.id.label("case_id"),
            CASE.c.reference,
            LIST.c.list_date,
            LIST.c.theatre,
        )
        .join(CASE, CASE.c.id == PACK.c.case_id)
        .join(LIST, LIST.c.id == CASE.c.list_id)
        .where(CASE.c.site_id == site_id, PACK.c.lot_id.in_(lot_ids))
        .order_by(LIST.c.list_date, CASE.c.starts_at, CASE.c.reference, PACK.c.lot_id)
    )
    return session.execute(query).all()


def holds_on(session: Session, site_id: int, lot_ids: Sequence[int]) -> Sequence[Row[Any]]:
    """Give the holds of a site's cases in force on these lots, by list day and case."""
    query = (
        select(
            HOLD.c.lot_id,
            HOLD.c.location_id,
            HOLD.c.quantity,
            HOLD.c.is_set,
            HOLD.c.from_at,
            HOLD.c.until_at,
            CASE.c.id.label("case_id"),
            CASE.c.reference,
            LIST.c.list_date,
            LIST.c.theatre,
        )
        .join(CASE, CASE.c.id == HOLD.c.case_id)
        .join(LIST, LIST.c.id == CASE.c.list_id)
        .where(
            CASE.c.site_id == site_id,
            HOLD.c.lot_id.in_(lot_ids),
            HOLD.c.released_at.is_(None),
        )
        .order_by(LIST.c.list_date, CASE.c.starts_at, CASE.c.reference, HOLD.c.id)
    )
    return session.execute(query).all()
