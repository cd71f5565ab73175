"""Reading what a verification compares, and the names of what disagrees."""

from collections.abc import Sequence

from sqlalchemy import select
from sqlmodel import Session

from service.storage.tables import Balance, Item, Location, Lot, table_of

__all__ = ["on_tray_places", "unit_names"]

ITEM, LOT = table_of(Item), table_of(Lot)
PLACE, BALANCE = table_of(Location), table_of(Balance)


def on_tray_places(session: Session) -> dict[tuple[int, str, int], tuple[int, int]]:
    """Give place and quantity of every lot in a theatre, by site, tray's case and lot."""
    query = (
        select(PLACE.c.site_id, PLACE.c.shelf, BALANCE.c.lot_id, PLACE.c.id, BALANCE.c.quantity)
        .join(PLACE, PLACE.c.id == BALANCE.c.location_id)
        .where(PLACE.c.kind == "theatre")
    )
    return {(row[0], row[1], row[2]): (row[3], row[4]) for row in session.execute(query)}


def unit_names(session: Session, keys: Sequence[tuple[int, int]]) -> dict[tuple[int, int], str]:
    """Name lots and places as people do, by lot and location; what is not on record is left out."""
    lots_wanted, places_wanted = {lot for lot, _ in keys}, {place for _, place in keys}
    query = select(LOT.c.id, ITEM.c.ref, LOT.c.lot_number, LOT.c.serial)
    rows = session.execute(query.join(ITEM, ITEM.c.id == LOT.c.item_id)) if keys else ()
    named = {
        row.id: f"{row.ref}, "
        + (f"lot {row.lot_number}" if row.lot_number else f"serial {row.serial}")
        for row in rows
        if row.id in lots_wanted
    }
    spots = session.execute(select(PLACE.c.id, PLACE.c.store, PLACE.c.shelf)) if keys else ()
    where = {row.id: f"{row.store}, {row.shelf}" for row in spots if row.id in places_wanted}
    return {
        (lot, place): f"{named[lot]} at {where.get(place, 'no place on record')}"
        for lot, place in keys
        if lot in named
    }
