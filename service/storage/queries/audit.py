"""Reading the audit trail."""

import json
from collections.abc import Iterator, Sequence
from typing import Any

from sqlalchemy import Row, String, cast, or_, select
from sqlmodel import Session, col

from service.storage.tables import AuditLine, Item, Lot, table_of

__all__ = ["in_order", "last_change", "last_digest", "lot_names", "page"]


def last_digest(session: Session) -> str | None:
    """Give the digest of the newest line."""
    query = select(col(AuditLine.digest)).order_by(col(AuditLine.seq).desc()).limit(1)
    return session.execute(query).scalar()


def last_change(session: Session, site_id: int, shared: Sequence[str]) -> Row[Any] | None:
    """Give number and time of the newest change at a site, or of an area that sites share."""
    line = table_of(AuditLine)
    is_ours = [line.c.site_id == site_id]
    is_ours += [line.c.operation.contains(f".{area}", autoescape=True) for area in shared]
    query = (
        select(line.c.seq, line.c.at)
        .where(line.c.outcome == "done", ~line.c.operation.contains(".sign_in."), or_(*is_ours))
        .order_by(line.c.seq.desc())
        .limit(1)
    )
    return session.execute(query).first()


def in_order(session: Session) -> Iterator[AuditLine]:
    """Give every line, the oldest first, some at a time."""
    query = select(AuditLine).order_by(col(AuditLine.seq)).execution_options(yield_per=1000)
    yield from session.execute(query).scalars()


def page(
    session: Session,
    *,
    site_id: int,
    person: str,
    texts: Sequence[str],
    before: int | None,
    limit: int,
) -> list[AuditLine]:
    """Give lines of a site and of nobody's site, the newest first."""
    query = select(AuditLine).where(
        or_(col(AuditLine.site_id) == site_id, col(AuditLine.site_id).is_(None))
    )
    if person:
        query = query.where(col(AuditLine.actor) == person)
    for text in texts:
        # In JSON a letter beyond ASCII is written as an escape.
        written = json.dumps(text)[1:-1]
        said = cast(col(AuditLine.facts), String)
        query = query.where(
            or_(
                col(AuditLine.subject).contains(text, autoescape=True),
                said.contains(written, autoescape=True),
            )
        )
    if before is not None:
        query = query.where(col(AuditLine.seq) < before)
    return list(session.execute(query.order_by(col(AuditLine.seq).desc()).limit(limit)).scalars())


def lot_names(session: Session, lot_ids: Sequence[int]) -> list[str]:
    """Name lots by reference and lot or serial."""
    item, lot = table_of(Item), table_of(Lot)
    query = (
        select(item.c.ref, lot.c.lot_number, lot.c.serial)
        .join(item, item.c.id == lot.c.item_id)
        .where(lot.c.id.in_(lot_ids))
        .order_by(item.c.ref, lot.c.id)
    )
    return [f"{row.ref} {row.lot_number or row.serial}" for row in session.execute(query)]
