"""Reading what expires."""

from collections.abc import Sequence
from datetime import date
from typing import Any

from sqlalchemy import Row, select
from sqlmodel import Session

from service.storage.tables import Balance, Item, Location, Lot, table_of

__all__ = ["expiring"]

ITEM = table_of(Item)
LOT = table_of(Lot)
PLACE = table_of(Location)
BALANCE = table_of(Balance)


def expiring(session: Session, site_id: int, until: date) -> Sequence[Row[Any]]:
    """Give units here whose use-by date is not after a day, the earliest first."""
    query = (
        select(
            ITEM.c.ref,
            ITEM.c.kind,
            ITEM.c.description,
            ITEM.c.unit_price_minor,
            ITEM.c.currency,
            LOT.c.id.label("lot_id"),
            LOT.c.lot_number,
            LOT.c.serial,
            LOT.c.use_by,
            LOT.c.ownership,
            LOT.c.return_by,
            LOT.c.sterility,
            PLACE.c.id.label("location_id"),
            PLACE.c.store,
            PLACE.c.shelf,
            PLACE.c.kind.label("location_kind"),
            BALANCE.c.quantity,
            BALANCE.c.held,
        )
        .join(LOT, LOT.c.id == BALANCE.c.lot_id)
        .join(ITEM, ITEM.c.id == LOT.c.item_id)
        .join(PLACE, PLACE.c.id == BALANCE.c.location_id)
        .where(PLACE.c.site_id == site_id, BALANCE.c.quantity > 0, LOT.c.use_by <= until)
        .order_by(LOT.c.use_by, ITEM.c.ref, LOT.c.id, PLACE.c.store, PLACE.c.shelf)
    )
    return session.execute(query).all()
