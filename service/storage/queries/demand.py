"""Reading what was used, when it was there, and how long it lasts: for the demand of items."""

from collections.abc import Sequence
from datetime import date, datetime
from typing import Any

from sqlalchemy import Row, func, select
from sqlmodel import Session

from service.storage.tables import (
    BALANCE,
    CASE,
    ITEM,
    LOT,
    MOVEMENT,
    PAST_USE,
    PLACE,
)

#: Where units can be used from; what lies in quarantine cannot.
_USABLE = ("shelf", "theatre")


def history(session: Session, since: date) -> Sequence[Row[Any]]:
    """Return the usage from before the ledger, the oldest first; it is shared by all sites."""
    query = (
        select(
            ITEM.c.ref,
            PAST_USE.c.used_on,
            PAST_USE.c.quantity,
            PAST_USE.c.lot_number,
            PAST_USE.c.case_reference,
            PAST_USE.c.outcome,
        )
        .join(ITEM, ITEM.c.id == PAST_USE.c.item_id)
        .where(PAST_USE.c.used_on >= since)
        .order_by(PAST_USE.c.used_on, PAST_USE.c.id)
    )
    return session.execute(query).all()


def used_in_ledger(session: Session, site_id: int, since: datetime) -> Sequence[Row[Any]]:
    """Return the ledger's lines that implanted or wasted units here in a case, the oldest first.

    A consigned unit that is used changes its owner by two lines and is then implanted by a third;
    only the third is a use.
    """
    query = (
        select(
            ITEM.c.ref,
            MOVEMENT.c.at,
            MOVEMENT.c.kind,
            MOVEMENT.c.quantity,
            LOT.c.lot_number,
            LOT.c.serial,
            CASE.c.reference,
        )
        .join(LOT, LOT.c.id == MOVEMENT.c.lot_id)
        .join(ITEM, ITEM.c.id == LOT.c.item_id)
        .join(CASE, CASE.c.id == MOVEMENT.c.case_id)
        .where(
            CASE.c.site_id == site_id,
            MOVEMENT.c.kind.in_(("implant", "waste")),
            MOVEMENT.c.at >= since,
        )
        .order_by(MOVEMENT.c.seq)
    )
    return session.execute(query).all()


def first_line(session: Session, site_id: int) -> datetime | None:
    """Return the moment of the site's first line in the ledger."""
    here = select(PLACE.c.id).where(PLACE.c.site_id == site_id)
    query = (
        select(MOVEMENT.c.at)
        .where(MOVEMENT.c.to_location_id.in_(here) | MOVEMENT.c.from_location_id.in_(here))
        .order_by(MOVEMENT.c.seq)
        .limit(1)
    )
    return session.execute(query).scalar()


def count_stocked_sites(session: Session) -> int:
    """Return how many sites have places for stock."""
    query = select(func.count(func.distinct(PLACE.c.site_id)))
    return int(session.execute(query).scalar_one())


def usable_changes(session: Session, site_id: int, since: datetime) -> Sequence[Row[Any]]:
    """Return what came to, and went from, where units of the site can be used, the oldest first."""
    here = select(PLACE.c.id).where(PLACE.c.site_id == site_id, PLACE.c.kind.in_(_USABLE))
    comes, goes = MOVEMENT.c.to_location_id.in_(here), MOVEMENT.c.from_location_id.in_(here)
    query = (
        select(
            MOVEMENT.c.lot_id,
            MOVEMENT.c.at,
            MOVEMENT.c.quantity,
            func.coalesce(comes, False).label("comes"),
            func.coalesce(goes, False).label("goes"),
        )
        .where(MOVEMENT.c.at >= since, comes | goes)
        .order_by(MOVEMENT.c.seq)
    )
    return [row for row in session.execute(query) if bool(row.comes) != bool(row.goes)]


def lots_there(session: Session, site_id: int) -> Sequence[Row[Any]]:
    """Return every sterile lot that was ever here, and how many units can be used from it now."""
    there = (
        select(
            BALANCE.c.lot_id,
            func.sum(BALANCE.c.quantity).label("quantity"),
        )
        .join(PLACE, PLACE.c.id == BALANCE.c.location_id)
        .where(PLACE.c.site_id == site_id, PLACE.c.kind.in_(_USABLE))
        .group_by(BALANCE.c.lot_id)
        .subquery()
    )
    query = (
        select(LOT.c.id, ITEM.c.ref, LOT.c.use_by, there.c.quantity)
        .join(there, there.c.lot_id == LOT.c.id)
        .join(ITEM, ITEM.c.id == LOT.c.item_id)
        .where(LOT.c.sterility == "sterile")
        .order_by(LOT.c.id)
    )
    return session.execute(query).all()


def received_lots(session: Session, site_id: int) -> Sequence[Row[Any]]:
    """Return when lots with a use-by date were received here, each once."""
    here = select(PLACE.c.id).where(PLACE.c.site_id == site_id)
    query = (
        select(ITEM.c.ref, LOT.c.id, LOT.c.use_by, func.min(MOVEMENT.c.at).label("at"))
        .join(LOT, LOT.c.id == MOVEMENT.c.lot_id)
        .join(ITEM, ITEM.c.id == LOT.c.item_id)
        .where(
            MOVEMENT.c.kind == "receive",
            MOVEMENT.c.corrects_seq.is_(None),
            MOVEMENT.c.to_location_id.in_(here),
            LOT.c.use_by.is_not(None),
        )
        .group_by(ITEM.c.ref, LOT.c.id, LOT.c.use_by)
        .order_by(ITEM.c.ref, LOT.c.id)
    )
    return session.execute(query).all()
