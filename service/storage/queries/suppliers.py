"""Reading and writing suppliers, days without deliveries, and where an item could come from."""

from collections.abc import Collection, Sequence
from datetime import date
from typing import Any

from sqlalchemy import Row, func, select
from sqlmodel import Session, col

from service.storage.tables import (
    BALANCE,
    ITEM,
    LOT,
    PLACE,
    Holiday,
    Site,
    Supplier,
    Transfer,
)


def all_suppliers(session: Session) -> list[Supplier]:
    """Return every supplier, by name."""
    return list(session.execute(select(Supplier).order_by(col(Supplier.name))).scalars())


def find_supplier(session: Session, name: str) -> Supplier | None:
    """Return a supplier by its name."""
    return session.execute(select(Supplier).filter_by(name=name)).scalars().first()


def names_in_catalogue(session: Session) -> list[str]:
    """Name every supplier the catalogue names, in order."""
    query = select(ITEM.c.supplier).distinct().order_by(ITEM.c.supplier)
    return list(session.execute(query).scalars())


def holidays(session: Session, site_id: int) -> list[Holiday]:
    """Return the days on which a site neither sends nor receives, the earliest first."""
    query = select(Holiday).filter_by(site_id=site_id).order_by(col(Holiday.day))
    return list(session.execute(query).scalars())


def holiday_dates(session: Session, site_id: int) -> frozenset[date]:
    """Return the dates of a site's holidays."""
    return frozenset(row.day for row in holidays(session, site_id))


def supply_facts(session: Session, refs: Collection[str]) -> dict[str, Row[Any]]:
    """Return supplier, lead time and what else says how items come, by reference."""
    names = ("id", "ref", "kind", "supplier", "lead_time_days", "supplied_sterile", "reusable")
    columns = [ITEM.c[name] for name in (*names, "turnaround_minutes", "pack_quantity")]
    rows = session.execute(select(*columns).where(ITEM.c.ref.in_(sorted(refs))))
    return {row.ref: row for row in rows}


def consigned_refs(session: Session, site_id: int, refs: Collection[str]) -> set[str]:
    """Return those references of which a supplier keeps, or has kept, its own units at a site."""
    query = (
        select(ITEM.c.ref)
        .distinct()
        .join(LOT, LOT.c.item_id == ITEM.c.id)
        .join(BALANCE, BALANCE.c.lot_id == LOT.c.id)
        .join(PLACE, PLACE.c.id == BALANCE.c.location_id)
        .where(
            LOT.c.ownership == "consigned",
            PLACE.c.site_id == site_id,
            ITEM.c.ref.in_(sorted(refs)),
        )
    )
    return set(session.execute(query).scalars())


def other_sites(session: Session, site_id: int) -> list[Site]:
    """Return every site but one, by code."""
    query = select(Site).where(col(Site.id) != site_id).order_by(col(Site.code))
    return list(session.execute(query).scalars())


def asked_of_sites(session: Session, site_id: int) -> Sequence[Row[Any]]:
    """Return how many units of each item a site has asked of each other one without an answer."""
    query = (
        select(ITEM.c.ref, Transfer.from_site_id, func.sum(Transfer.quantity).label("asked"))  # type: ignore[call-overload] # SQLModel types its columns as their values
        .join(ITEM, ITEM.c.id == col(Transfer.item_id))
        .where(col(Transfer.to_site_id) == site_id, col(Transfer.state) == "asked")
        .group_by(ITEM.c.ref, col(Transfer.from_site_id))
    )
    return session.execute(query).all()
