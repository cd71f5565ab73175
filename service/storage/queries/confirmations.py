"""Reading confirmations and what has happened to cases."""

from collections.abc import Collection

from sqlalchemy import func, select
from sqlmodel import Session, col

from service.storage.tables import CaseEvent, Confirmation

__all__ = ["events", "newest"]


def newest(session: Session, case_ids: Collection[int]) -> dict[int, Confirmation]:
    """Give the newest confirmation of each case that has one, by case."""
    last = (
        select(func.max(col(Confirmation.id)))
        .where(col(Confirmation.case_id).in_(case_ids))
        .group_by(col(Confirmation.case_id))
    )
    query = select(Confirmation).where(col(Confirmation.id).in_(last))
    return {row.case_id: row for row in session.execute(query).scalars()}


def events(session: Session, case_id: int) -> list[CaseEvent]:
    """Give what has happened to a case, the newest first."""
    query = select(CaseEvent).filter_by(case_id=case_id).order_by(col(CaseEvent.id).desc())
    return list(session.execute(query).scalars())
