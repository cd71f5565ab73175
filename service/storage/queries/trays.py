"""Reading the packs of a case's tray and the implant log."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Row, exists, func, select
from sqlmodel import Session, col

from service.storage.queries.recalls import names_recalled
from service.storage.tables import (
    CASE,
    EVENT,
    ITEM,
    LOT,
    MOVEMENT,
    PACK,
    PLACE,
    PUT_OFF,
    CasePack,
)


def of_case(session: Session, case_id: int) -> Sequence[Row[Any]]:
    """Return the packs of a case with item, lot, recall and the shelf they came from."""
    query = (
        select(
            PACK.c.picked,
            PACK.c.returned,
            PACK.c.implanted,
            PACK.c.wasted,
            ITEM.c.ref,
            ITEM.c.kind,
            ITEM.c.description,
            ITEM.c.reusable,
            LOT.c.lot_number,
            LOT.c.serial,
            LOT.c.use_by,
            LOT.c.ownership,
            LOT.c.sterility,
            names_recalled().label("is_recalled"),
            PLACE.c.store.label("home_store"),
            PLACE.c.shelf.label("home_shelf"),
        )
        .join(LOT, LOT.c.id == PACK.c.lot_id)
        .join(ITEM, ITEM.c.id == LOT.c.item_id)
        .join(PLACE, PLACE.c.id == PACK.c.home_location_id)
        .where(PACK.c.case_id == case_id)
        .order_by(ITEM.c.ref, LOT.c.id, PLACE.c.id)
    )
    return session.execute(query).all()


def open_packs(session: Session, case_id: int, lot_id: int) -> list[CasePack]:
    """Return the packs of a lot on a case's tray that are not accounted for in full."""
    query = (
        select(CasePack)
        .filter_by(case_id=case_id, lot_id=lot_id)
        .where(
            col(CasePack.picked)
            > col(CasePack.returned) + col(CasePack.implanted) + col(CasePack.wasted)
        )
        .order_by(col(CasePack.home_location_id))
    )
    return list(session.execute(query).scalars())


def used_in(session: Session, case_ids: Sequence[int]) -> Sequence[Row[Any]]:
    """Return the packs implanted in these cases so far."""
    query = (
        select(
            PACK.c.case_id,
            PACK.c.lot_id,
            func.sum(PACK.c.implanted).label("implanted"),
            ITEM.c.ref,
            LOT.c.lot_number,
            LOT.c.serial,
        )
        .join(LOT, LOT.c.id == PACK.c.lot_id)
        .join(ITEM, ITEM.c.id == LOT.c.item_id)
        .where(PACK.c.implanted > 0, PACK.c.case_id.in_(case_ids))
        .group_by(PACK.c.case_id, PACK.c.lot_id, ITEM.c.ref, LOT.c.lot_number, LOT.c.serial)
        .order_by(PACK.c.case_id, PACK.c.lot_id)
    )
    return session.execute(query).all()


def sets_in_theatre(session: Session, site_id: int) -> Sequence[Row[Any]]:
    """Return the lines by which sets of cases in theatre came to the tray, or were sent off.

    What came before a case was put off belongs to another occasion and is left out.
    """
    is_former = exists().where(
        EVENT.c.case_id == CASE.c.id, EVENT.c.kind == PUT_OFF, EVENT.c.at >= MOVEMENT.c.at
    )
    query = (
        select(
            MOVEMENT.c.case_id, MOVEMENT.c.lot_id, MOVEMENT.c.kind, MOVEMENT.c.quantity, ITEM.c.ref
        )
        .join(LOT, LOT.c.id == MOVEMENT.c.lot_id)
        .join(ITEM, ITEM.c.id == LOT.c.item_id)
        .join(CASE, CASE.c.id == MOVEMENT.c.case_id)
        .where(
            CASE.c.site_id == site_id,
            CASE.c.status == "in_theatre",
            ITEM.c.reusable,
            MOVEMENT.c.kind.in_(("pick", "reprocess")),
            ~is_former,
        )
        .order_by(MOVEMENT.c.seq)
    )
    return session.execute(query).all()


def on_trays(session: Session) -> dict[tuple[int, str, int], int]:
    """Return how many units of a lot each case has to account for, by site, case and lot."""
    left = func.sum(PACK.c.picked - PACK.c.returned - PACK.c.implanted - PACK.c.wasted)
    query = (
        select(CASE.c.site_id, CASE.c.reference, PACK.c.lot_id, left)
        .join(CASE, CASE.c.id == PACK.c.case_id)
        .group_by(CASE.c.site_id, CASE.c.reference, PACK.c.lot_id)
        .having(left > 0)
    )
    return {(row[0], row[1], row[2]): row[3] for row in session.execute(query)}


def implant_log(session: Session, case_id: int) -> Sequence[Row[Any]]:
    """Return the ledger's lines that implanted or wasted something in a case, oldest first."""
    query = (
        select(
            MOVEMENT.c.seq,
            MOVEMENT.c.kind,
            MOVEMENT.c.quantity,
            MOVEMENT.c.reason,
            MOVEMENT.c.at,
            MOVEMENT.c.actor,
            ITEM.c.ref,
            ITEM.c.gtin,
            ITEM.c.description,
            LOT.c.lot_number,
            LOT.c.serial,
            LOT.c.use_by,
            CASE.c.reference,
        )
        .join(LOT, LOT.c.id == MOVEMENT.c.lot_id)
        .join(ITEM, ITEM.c.id == LOT.c.item_id)
        .join(CASE, CASE.c.id == MOVEMENT.c.case_id)
        .where(MOVEMENT.c.case_id == case_id, MOVEMENT.c.kind.in_(("implant", "waste")))
        .order_by(MOVEMENT.c.seq)
    )
    return session.execute(query).all()
