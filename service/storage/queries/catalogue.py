"""Reading and writing catalogue lines."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import fields
from typing import Any, NamedTuple

from sqlalchemy import Row, func, insert, select
from sqlmodel import Session, col

from service.core.catalogue import ItemFacts
from service.storage.tables import (
    BALANCE,
    CASE,
    HOLD,
    ITEM,
    LIST,
    PACK,
    PLACE,
    Item,
    ItemCode,
    Lot,
)

_FACT_NAMES = [field.name for field in fields(ItemFacts)]


def one_by(session: Session, **where: object) -> Item | None:
    """Return the one item whose columns equal these values."""
    return session.execute(select(Item).filter_by(**where)).scalars().first()


def by_ref(session: Session, refs: Iterable[str]) -> dict[str, Item]:
    """Return the items of these references, by reference."""
    wanted = set(refs)
    rows = session.execute(select(Item)).scalars()
    return {row.ref: row for row in rows if row.ref in wanted}


def ids_by_ref(session: Session) -> dict[str, int]:
    """Return every item's id by its reference."""
    return {row.ref: row.id for row in session.execute(select(ITEM.c.ref, ITEM.c.id))}


class Supplied(NamedTuple):
    """An item's id and in which state it comes."""

    item_id: int
    sterile: bool
    reusable: bool


def supplied_by_ref(session: Session) -> dict[str, Supplied]:
    """Return every item's id and in which state it comes, by its reference."""
    columns = (ITEM.c.ref, ITEM.c.id, ITEM.c.supplied_sterile, ITEM.c.reusable)
    return {row[0]: Supplied(*row[1:]) for row in session.execute(select(*columns))}


def refs_by_gtin(session: Session) -> dict[str, str]:
    """Return the reference of every item that has a GTIN, by GTIN."""
    rows = session.execute(select(ITEM.c.gtin, ITEM.c.ref).where(ITEM.c.gtin.is_not(None)))
    return {row.gtin: row.ref for row in rows}


def all_facts(session: Session) -> list[ItemFacts]:
    """Return the whole catalogue as the planner sees it, by reference."""
    columns = [ITEM.c[name] for name in _FACT_NAMES]
    rows = session.execute(select(*columns).order_by(ITEM.c.ref))
    return [ItemFacts(*row) for row in rows]


def facts_and_gtins(session: Session) -> list[tuple[ItemFacts, str | None]]:
    """Return the whole catalogue as the planner sees it, each line with its GTIN, by reference."""
    columns = [ITEM.c[name] for name in _FACT_NAMES]
    rows = session.execute(select(ITEM.c.gtin, *columns).order_by(ITEM.c.ref))
    return [(ItemFacts(*row[1:]), row[0]) for row in rows]


def facts_of(session: Session, refs: Collection[str]) -> dict[str, ItemFacts]:
    """Return some catalogue lines as the planner sees them, by reference."""
    columns = [ITEM.c[name] for name in _FACT_NAMES]
    rows = session.execute(select(*columns).where(ITEM.c.ref.in_(sorted(refs))))
    return {row.ref: ItemFacts(*row) for row in rows}


def turnarounds(session: Session) -> dict[str, int]:
    """Return the turnaround of every instrument set, in minutes, by reference."""
    query = select(ITEM.c.ref, ITEM.c.turnaround_minutes)
    rows = session.execute(query.where(ITEM.c.turnaround_minutes.is_not(None)))
    return {row.ref: row.turnaround_minutes for row in rows}


def insert_many(session: Session, rows: Sequence[Mapping[str, Any]]) -> None:
    """Add many items at once."""
    if rows:
        session.execute(insert(Item), [dict(row) for row in rows])


def page(
    session: Session, *, filters: Mapping[str, object], text: str, after: str, limit: int
) -> list[Item]:
    """Return the items after a reference, filtered, at most ``limit`` of them."""
    query = select(Item).filter_by(**filters).where(col(Item.ref) > after)
    if text:
        like = f"%{text.lower().replace('%', '').replace('_', '')}%"
        name = func.lower(col(Item.description))
        query = query.where(name.like(like) | func.lower(col(Item.ref)).like(like))
    return list(session.execute(query.order_by(col(Item.ref)).limit(limit)).scalars())


def item_of_code(session: Session, code: str) -> Item | None:
    """Return the item of a code: by the catalogue's GTIN first, then by what has been learned."""
    row: Item | None = session.execute(select(Item).filter_by(gtin=code)).scalars().first()
    if row is None:
        learned = session.get(ItemCode, code)
        row = None if learned is None else session.get(Item, learned.item_id)
    return row


def lots_of(session: Session, item_id: int, lot_number: str, serial: str) -> list[Lot]:
    """Return the lots on record that a label may mean.

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
    """Return where units of these lots are, how many and how many of them are promised."""
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
    """Return the packs of these lots on the trays of a site's cases, by list day and case."""
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
    """Return the holds of a site's cases in force on these lots, by list day and case."""
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
