"""Reading and writing catalogue lines."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import fields
from typing import Any, NamedTuple

from sqlalchemy import func, insert, select
from sqlmodel import Session, col

from service.core.items import ItemFacts
from service.storage.tables import Item, table_of

__all__ = [
    "Supplied",
    "all_facts",
    "by_ref",
    "ids_by_ref",
    "insert_many",
    "one_by",
    "page",
    "refs_by_gtin",
    "supplied_by_ref",
    "turnarounds",
]

_FACT_NAMES = [field.name for field in fields(ItemFacts)]
_TABLE = table_of(Item)


def one_by(session: Session, **where: object) -> Item | None:
    """Give the one item whose columns equal these values."""
    return session.execute(select(Item).filter_by(**where)).scalars().first()


def by_ref(session: Session, refs: Iterable[str]) -> dict[str, Item]:
    """Give the items of these references, by reference."""
    wanted = set(refs)
    rows = session.execute(select(Item)).scalars()
    return {row.ref: row for row in rows if row.ref in wanted}


def ids_by_ref(session: Session) -> dict[str, int]:
    """Give every item's id by its reference."""
    return {row.ref: row.id for row in session.execute(select(_TABLE.c.ref, _TABLE.c.id))}


class Supplied(NamedTuple):
    """An item's id and in which state it comes."""

    item_id: int
    sterile: bool
    reusable: bool


def supplied_by_ref(session: Session) -> dict[str, Supplied]:
    """Give every item's id and in which state it comes, by its reference."""
    columns = (_TABLE.c.ref, _TABLE.c.id, _TABLE.c.supplied_sterile, _TABLE.c.reusable)
    return {row[0]: Supplied(*row[1:]) for row in session.execute(select(*columns))}


def refs_by_gtin(session: Session) -> dict[str, str]:
    """Give the reference of every item that has a GTIN, by GTIN."""
    rows = session.execute(select(_TABLE.c.gtin, _TABLE.c.ref).where(_TABLE.c.gtin.is_not(None)))
    return {row.gtin: row.ref for row in rows}


def all_facts(session: Session) -> list[ItemFacts]:
    """Give the whole catalogue as the planner sees it, by reference."""
    columns = [_TABLE.c[name] for name in _FACT_NAMES]
    rows = session.execute(select(*columns).order_by(_TABLE.c.ref))
    return [ItemFacts(*row) for row in rows]


def facts_and_gtins(session: Session) -> list[tuple[ItemFacts, str | None]]:
    """Give the whole catalogue as the planner sees it, each line with its GTIN, by reference."""
    columns = [_TABLE.c[name] for name in _FACT_NAMES]
    rows = session.execute(select(_TABLE.c.gtin, *columns).order_by(_TABLE.c.ref))
    return [(ItemFacts(*row[1:]), row[0]) for row in rows]


def facts_of(session: Session, refs: Collection[str]) -> dict[str, ItemFacts]:
    """Give some catalogue lines as the planner sees them, by reference."""
    columns = [_TABLE.c[name] for name in _FACT_NAMES]
    rows = session.execute(select(*columns).where(_TABLE.c.ref.in_(sorted(refs))))
    return {row.ref: ItemFacts(*row) for row in rows}


def turnarounds(session: Session) -> dict[str, int]:
    """Give the turnaround of every instrument set, in minutes, by reference."""
    query = select(_TABLE.c.ref, _TABLE.c.turnaround_minutes)
    rows = session.execute(query.where(_TABLE.c.turnaround_minutes.is_not(None)))
    return {row.ref: row.turnaround_minutes for row in rows}


def insert_many(session: Session, rows: Sequence[Mapping[str, Any]]) -> None:
    """Add many items at once."""
    if rows:
        session.execute(insert(Item), [dict(row) for row in rows])


def page(
    session: Session, *, filters: Mapping[str, object], text: str, after: str, limit: int
) -> list[Item]:
    """Give the items after a reference, filtered, at most ``limit`` of them."""
    query = select(Item).filter_by(**filters).where(col(Item.ref) > after)
    if text:
        like = f"%{text.lower().replace('%', '').replace('_', '')}%"
        name = func.lower(col(Item.description))
        query = query.where(name.like(like) | func.lower(col(Item.ref)).like(like))
    return list(session.execute(query.order_by(col(Item.ref)).limit(limit)).scalars())
