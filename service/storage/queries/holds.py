"""Reading and writing holds, and the promised part of a balance."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import Row, Select, bindparam, insert, select, tuple_, update
from sqlmodel import Session, col

from service.storage.database import CHANGES
from service.storage.tables import (
    BALANCE,
    CASE,
    HOLD,
    ITEM,
    LOT,
    PLACE,
    Hold,
    OperatingList,
    SurgicalCase,
)


def active_rows(session: Session, site_id: int) -> Sequence[Row[Any]]:
    """Return every hold in force with what its case is called, its times and its status."""
    # A site has thousands of them, and every check reads them all: no column that it does not ask.
    query = (
        select(
            HOLD.c.lot_id,
            HOLD.c.location_id,
            HOLD.c.quantity,
            HOLD.c.list_date,
            HOLD.c.list_id,
            HOLD.c.stays,
            HOLD.c.is_set,
            HOLD.c.is_opened,
            HOLD.c.from_at,
            HOLD.c.until_at,
            HOLD.c.role,
            HOLD.c.share_group,
            CASE.c.reference,
            CASE.c.starts_at,
            CASE.c.ends_at,
            CASE.c.status,
        )
        .join(CASE, CASE.c.id == HOLD.c.case_id)
        .where(HOLD.c.released_at.is_(None), CASE.c.site_id == site_id)
        .order_by(HOLD.c.id)
    )
    return session.execute(query).all()


def active(session: Session, **where: object) -> list[Hold]:
    """Return the holds in force whose columns equal these values, the oldest first."""
    return list(session.execute(_active(tuple(sorted(where))), where).scalars())


@lru_cache(maxsize=64)
def _active(names: tuple[str, ...]) -> Select[Any]:
    """Write the statement once for each set of columns; that costs more than carrying it out."""
    query = select(Hold).where(*(HOLD.c[name] == bindparam(name) for name in names))
    return query.where(HOLD.c.released_at.is_(None)).order_by(HOLD.c.id)


def add(session: Session, new: Sequence[Hold]) -> None:
    """Write holds at once, in their order."""
    if new:
        rows = [hold.model_dump(exclude={"id"}) for hold in new]
        # On the connection: a session would write them one by one to give each its key.
        session.connection().execute(insert(HOLD), rows)


def of_case(session: Session, case_id: int) -> Sequence[Row[Any]]:
    """Return a case's holds in force with what and where they hold."""
    return session.execute(_OF_CASE, {"of_case": case_id}).all()


def _of_case() -> Select[Any]:
    return (
        select(
            HOLD,
            ITEM.c.ref,
            ITEM.c.description,
            LOT.c.lot_number,
            LOT.c.serial,
            LOT.c.use_by,
            PLACE.c.store,
            PLACE.c.shelf,
        )
        .join(LOT, LOT.c.id == HOLD.c.lot_id)
        .join(ITEM, ITEM.c.id == LOT.c.item_id)
        .join(PLACE, PLACE.c.id == HOLD.c.location_id)
        .where(HOLD.c.case_id == bindparam("of_case"), HOLD.c.released_at.is_(None))
        .order_by(PLACE.c.store, PLACE.c.shelf, ITEM.c.ref, HOLD.c.id)
    )


# Written once: building a statement anew costs more than carrying it out.
_OF_CASE = _of_case()


def of_units(
    session: Session, lot_id: int, location_id: int
) -> list[tuple[Hold, SurgicalCase, OperatingList]]:
    """Return the holds in force on units of a lot in one place, with case and list."""
    query = (
        select(Hold, SurgicalCase, OperatingList)
        .join(SurgicalCase, col(SurgicalCase.id) == col(Hold.case_id))
        .join(OperatingList, col(OperatingList.id) == col(Hold.list_id))
        .where(
            col(Hold.lot_id) == lot_id,
            col(Hold.location_id) == location_id,
            col(Hold.released_at).is_(None),
        )
        .order_by(col(Hold.from_at), col(Hold.id))
    )
    return [(row[0], row[1], row[2]) for row in session.execute(query)]


def held_by_keys(
    session: Session, keys: Iterable[tuple[int, int]]
) -> dict[tuple[int, int], list[Hold]]:
    """Return the holds in force on each lot and location, instrument sets left out."""
    wanted = sorted(set(keys))
    found: dict[tuple[int, int], list[Hold]] = {key: [] for key in wanted}
    query = select(Hold).where(
        col(Hold.released_at).is_(None),
        col(Hold.is_set).is_(False),
        tuple_(col(Hold.lot_id), col(Hold.location_id)).in_(wanted),
    )
    for hold in session.execute(query).scalars() if wanted else ():
        found[hold.lot_id, hold.location_id].append(hold)
    return found


def all_held(session: Session) -> dict[tuple[int, int], list[Hold]]:
    """Return every hold in force by lot and location, instrument sets left out."""
    found: dict[tuple[int, int], list[Hold]] = {}
    query = select(Hold).where(col(Hold.released_at).is_(None), col(Hold.is_set).is_(False))
    for hold in session.execute(query).scalars():
        found.setdefault((hold.lot_id, hold.location_id), []).append(hold)
    return found


_SET_HELD = (
    update(BALANCE)
    .where(
        BALANCE.c.lot_id == bindparam("of_lot"),
        BALANCE.c.location_id == bindparam("at"),
        BALANCE.c.held != bindparam("now"),
    )
    .values(held=bindparam("now"))
    # How many units lie there stays as it was.
    .execution_options(**{CHANGES: "balance.held"})
)


def set_held(session: Session, held: dict[tuple[int, int], int]) -> None:
    """Write the promised part of balances, in one order for everybody."""
    rows = [
        {"of_lot": lot_id, "at": location_id, "now": quantity}
        for (lot_id, location_id), quantity in sorted(held.items())
    ]
    if rows:
        # On the connection: a session would take many updates for updates of whole objects.
        session.connection().execute(_SET_HELD, rows)


def release(session: Session, holds: Sequence[Hold], at: datetime, why: str) -> None:
    """Mark holds as released; they stay on record."""
    for hold in holds:
        hold.released_at, hold.released_why = at, why
    session.flush()
