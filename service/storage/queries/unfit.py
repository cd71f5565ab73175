"""Units that must not be used: where they lie, and which of them went missing there."""

from collections.abc import Collection, Sequence
from typing import Any

from sqlalchemy import Row, and_, func, or_, select
from sqlmodel import Session

from service.storage.tables import BALANCE, ITEM, LOT, MOVEMENT, PLACE

#: Where units are that nobody may use before somebody lets them out.
UNFIT_PLACES = ("quarantine", "reprocessing")

#: By these lines units come to such a place from nowhere, or go from there to nowhere. What goes
#: back to its lender has not gone to nowhere.
_COMING_OR_GOING = ("count", "write_off", "receive", "loan_in")

#: By these a pack is used up: one with a serial is never there again.
_USED_UP = ("implant", "waste")

_NAME = (LOT.c.item_id, LOT.c.lot_key, LOT.c.serial_key)


def coming_and_going(session: Session, item_ids: Collection[int] | None) -> Sequence[Row[Any]]:
    """Return the lines by which packs came from nowhere or went to nowhere where none may be used.

    Parameters
    ----------
    item_ids
        Of these items only; ``None`` for all.
    """
    at_unfit = and_(PLACE.c.kind.in_(UNFIT_PLACES), MOVEMENT.c.kind.in_(_COMING_OR_GOING))
    used_up = and_(MOVEMENT.c.kind.in_(_USED_UP), LOT.c.serial_key != "")
    query = (
        select(
            *_NAME,
            MOVEMENT.c.seq,
            MOVEMENT.c.quantity,
            MOVEMENT.c.corrects_seq,
            MOVEMENT.c.to_location_id.is_not(None).label("came"),
            PLACE.c.site_id,
            PLACE.c.store,
            PLACE.c.shelf,
            PLACE.c.kind,
        )
        .join(LOT, LOT.c.id == MOVEMENT.c.lot_id)
        .join(
            PLACE,
            PLACE.c.id == func.coalesce(MOVEMENT.c.from_location_id, MOVEMENT.c.to_location_id),
        )
        .where(
            or_(MOVEMENT.c.from_location_id.is_(None), MOVEMENT.c.to_location_id.is_(None)),
            or_(at_unfit, used_up),
        )
        .order_by(MOVEMENT.c.seq)
    )
    if item_ids is not None:
        query = query.where(LOT.c.item_id.in_(sorted(item_ids)))
    return session.execute(query).all()


def lying_unfit(
    session: Session, site_id: int, item_ids: Collection[int] | None
) -> Sequence[Row[Any]]:
    """Return the units that lie where none may be used, and those that are told one by one.

    What is in transit to the site must not be used either before it has been received.

    Those are packs with a serial, wherever they are, and instrument sets on a tray: which has been
    opened there only whoever opened it can say.

    Parameters
    ----------
    item_ids
        Of these items only; ``None`` for all.
    """
    is_here = and_(
        PLACE.c.site_id == site_id,
        or_(
            PLACE.c.kind.in_((*UNFIT_PLACES, "transit")),
            and_(PLACE.c.kind == "theatre", ITEM.c.reusable),
        ),
    )
    query = (
        select(
            *_NAME,
            PLACE.c.id,
            PLACE.c.site_id,
            PLACE.c.store,
            PLACE.c.shelf,
            PLACE.c.kind,
            BALANCE.c.quantity,
        )
        .join(LOT, LOT.c.id == BALANCE.c.lot_id)
        .join(ITEM, ITEM.c.id == LOT.c.item_id)
        .join(PLACE, PLACE.c.id == BALANCE.c.location_id)
        .where(BALANCE.c.quantity > 0, or_(is_here, LOT.c.serial_key != ""))
        .order_by(PLACE.c.store, PLACE.c.shelf)
    )
    if item_ids is not None:
        query = query.where(LOT.c.item_id.in_(sorted(item_ids)))
    return session.execute(query).all()
