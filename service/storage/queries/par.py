"""Reading par levels, proposals, and what counts towards a level."""

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Row, case, func, insert, select
from sqlmodel import Session, col

from service.storage.tables import (
    ITEM,
    ORDER,
    ORDER_LINE,
    PROPOSAL_LINE,
    ParLevel,
    ParProposal,
    ParProposalLine,
)


def levels_of(session: Session, site_id: int) -> dict[str, ParLevel]:
    """Return the levels in force at a site, by reference."""
    query = (
        select(ITEM.c.ref, ParLevel)
        .join(ParLevel, col(ParLevel.item_id) == ITEM.c.id)
        .where(col(ParLevel.site_id) == site_id)
        .order_by(ITEM.c.ref)
    )
    return {row[0]: row[1] for row in session.execute(query)}


def on_order(session: Session, site_id: int) -> dict[str, int]:
    """Return the units outstanding on orders that are to stay, drafts included, by reference."""
    outstanding = func.sum(ORDER_LINE.c.quantity - ORDER_LINE.c.received - ORDER_LINE.c.let_go)
    query = (
        select(ITEM.c.ref, outstanding)
        .join(ORDER, ORDER.c.id == ORDER_LINE.c.order_id)
        .join(ITEM, ITEM.c.id == ORDER_LINE.c.item_id)
        .where(
            ORDER.c.site_id == site_id,
            ORDER.c.state.in_(("draft", "approved", "sent")),
            ORDER.c.kind.in_(("purchase", "call_off")),
            ORDER.c.ownership != "loan",
        )
        .group_by(ITEM.c.ref)
        .having(outstanding > 0)
    )
    return {row[0]: int(row[1]) for row in session.execute(query)}


def supply_facts(session: Session) -> dict[str, Row[Any]]:
    """Return id, description, price, currency and lead time of every item, by reference."""
    query = select(
        ITEM.c.ref,
        ITEM.c.id,
        ITEM.c.description,
        ITEM.c.supplier,
        ITEM.c.unit_price_minor,
        ITEM.c.currency,
        ITEM.c.lead_time_days,
        ITEM.c.pack_quantity,
    )
    return {row.ref: row for row in session.execute(query)}


def proposals(session: Session, site_id: int, limit: int) -> list[ParProposal]:
    """Return a site's proposals, the newest first."""
    query = select(ParProposal).where(col(ParProposal.site_id) == site_id)
    return list(session.execute(query.order_by(col(ParProposal.id).desc()).limit(limit)).scalars())


def lines_of(session: Session, proposal_id: int) -> list[tuple[ParProposalLine, Row[Any]]]:
    """Return the lines of a proposal with reference and description, by reference."""
    query = (
        select(ParProposalLine, ITEM.c.ref, ITEM.c.description)
        .join(ITEM, ITEM.c.id == PROPOSAL_LINE.c.item_id)
        .where(PROPOSAL_LINE.c.proposal_id == proposal_id)
        .order_by(ITEM.c.ref)
    )
    return [(row[0], row) for row in session.execute(query)]


def open_lines(session: Session, proposal_ids: Sequence[int]) -> dict[int, tuple[int, int]]:
    """Return how many lines each proposal has, and how many nobody has decided yet."""
    still = func.sum(case((PROPOSAL_LINE.c.decision == "open", 1), else_=0))
    query = (
        select(PROPOSAL_LINE.c.proposal_id, func.count(), still)
        .where(PROPOSAL_LINE.c.proposal_id.in_(proposal_ids))
        .group_by(PROPOSAL_LINE.c.proposal_id)
    )
    return {row[0]: (int(row[1]), int(row[2])) for row in session.execute(query)}


def add_lines(session: Session, rows: Sequence[Mapping[str, Any]]) -> None:
    """Add the lines of a proposal at once."""
    if rows:
        session.execute(insert(ParProposalLine), [dict(row) for row in rows])
