"""Reading and writing catalogue lines."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import fields
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Row, func, insert, select
from sqlmodel import Session, col

from service.core.catalogue import ItemFacts
from service.storage.tables import (
    BALANCE,
    CASE,
    HOLD,
    ITEM,
    LIST,
    LOT,
    PACK,
    PLACE,
    CasePack,
    Hold,
    Item,
    ItemCode,
    Location,
    Lot,
    UnlearnedCode,
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


def item_learned(session: Session, code: str) -> Item | None:
    """Return the item that a code has been taught to name."""
    learned = session.get(ItemCode, code)
    return None if learned is None else session.get(Item, learned.item_id)


def codes_learned(session: Session, ref: str | None) -> list[tuple[ItemCode, Item]]:
    """Return the codes people have taught, with their items; by reference and code."""
    query = select(ItemCode, Item).join(Item, col(Item.id) == col(ItemCode.item_id))
    if ref is not None:
        query = query.where(col(Item.ref) == ref)
    rows = session.execute(query.order_by(col(Item.ref), col(ItemCode.code)))
    return [(row[0], row[1]) for row in rows]


def codes_unlearned(session: Session, ref: str | None) -> list[tuple[UnlearnedCode, Item]]:
    """Return the codes that were taken back, with their items; the newest first."""
    query = select(UnlearnedCode, Item).join(Item, col(Item.id) == col(UnlearnedCode.item_id))
    if ref is not None:
        query = query.where(col(Item.ref) == ref)
    rows = session.execute(query.order_by(col(UnlearnedCode.id).desc()))
    return [(row[0], row[1]) for row in rows]


#: What is said of units in one place.
_LYING = (
    BALANCE.c.lot_id,
    BALANCE.c.quantity,
    BALANCE.c.held,
    PLACE.c.id.label("location_id"),
    PLACE.c.store,
    PLACE.c.shelf,
    PLACE.c.kind,
)


def labelled(session: Session, lot_number: str, serial: str, **where: object) -> Sequence[Row[Any]]:
    """Return the item whose columns equal these values, the lots a label may mean, and their units.

    What label and record both carry must be the same, and at least one of lot number and serial
    must be; a record that has only the lot of a label with both is meant too.
    """
    meant: ColumnElement[bool]
    if lot_number and serial:
        meant = LOT.c.lot_number.in_([lot_number, ""]) & LOT.c.serial.in_([serial, ""])
    elif lot_number:
        meant = LOT.c.lot_number == lot_number
    else:
        meant = (LOT.c.serial == serial) & (LOT.c.serial != "")
    query = (
        select(Item, Lot, Location, *_LYING)
        .outerjoin(Lot, (LOT.c.item_id == ITEM.c.id) & meant)
        .outerjoin(BALANCE, (BALANCE.c.lot_id == LOT.c.id) & (BALANCE.c.quantity > 0))
        .outerjoin(Location, PLACE.c.id == BALANCE.c.location_id)
        .where(*(ITEM.c[name] == value for name, value in where.items()))
        .order_by(LOT.c.id)
    )
    return session.execute(query).all()


def lying(session: Session, lot_ids: Sequence[int]) -> Sequence[Row[Any]]:
    """Return the places with units of these lots, at every site."""
    query = (
        select(Location, *_LYING)
        .join(BALANCE, BALANCE.c.location_id == PLACE.c.id)
        .where(BALANCE.c.lot_id.in_(lot_ids), BALANCE.c.quantity > 0)
    )
    return session.execute(query).all()


def units_of(session: Session, site_id: int, lot_ids: Sequence[int]) -> Sequence[Row[Any]]:
    """Return where units of these lots are, how many and how many of them are promised."""
    query = (
        select(*_LYING)
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
            CasePack,
            PACK.c.lot_id,
            (PACK.c.picked - PACK.c.returned - PACK.c.wasted).label("taken"),
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


def holds_on(session: Session, site_id: int | None, lot_ids: Sequence[int]) -> Sequence[Row[Any]]:
    """Return the holds in force on these lots, of a site's cases or all, by list day and case."""
    query = (
        select(
            Hold,
            HOLD.c.lot_id,
            HOLD.c.location_id,
            HOLD.c.quantity,
            HOLD.c.is_set,
            HOLD.c.from_at,
            HOLD.c.until_at,
            CASE.c.id.label("case_id"),
            CASE.c.reference,
            CASE.c.site_id,
            CASE.c.starts_at,
            CASE.c.ends_at,
            CASE.c.status,
            LIST.c.list_date,
            LIST.c.theatre,
        )
        .join(CASE, CASE.c.id == HOLD.c.case_id)
        .join(LIST, LIST.c.id == CASE.c.list_id)
        .where(HOLD.c.lot_id.in_(lot_ids), HOLD.c.released_at.is_(None))
        .order_by(LIST.c.list_date, CASE.c.starts_at, CASE.c.reference, HOLD.c.id)
    )
    if site_id is not None:
        query = query.where(CASE.c.site_id == site_id)
    return session.execute(query).all()
