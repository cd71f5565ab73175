"""Reading people, their sessions and tokens."""

import json
from collections.abc import Iterator, Sequence
from typing import Any

from sqlalchemy import Row, String, cast, delete, or_, select
from sqlmodel import Session, col

from service.storage.tables import (
    AUDIT_LINE,
    ITEM,
    LOT,
    ApiToken,
    AuditLine,
    Person,
    SignIn,
    Site,
)


def by_sign_in(session: Session, sign_in: str) -> Person | None:
    """Return the account of a sign-in name."""
    return session.execute(select(Person).filter_by(sign_in=sign_in)).scalars().first()


def everyone(session: Session, site_id: int) -> list[Person]:
    """Return every account of a site, by name."""
    query = select(Person).filter_by(site_id=site_id).order_by(col(Person.sign_in))
    return list(session.execute(query).scalars())


def any_demo(session: Session) -> bool:
    """Tell whether a site that is no demo has the demo's accounts, whose passwords all know."""
    query = (
        select(col(Person.id))
        .join(Site, col(Site.id) == col(Person.site_id))
        .where(col(Person.is_demo).is_(True), col(Site.is_demo).is_(False))
    )
    return session.execute(query.limit(1)).first() is not None


def session_of(session: Session, token_hash: str) -> tuple[SignIn, Person, Site] | None:
    """Return a session, its person and the person's site."""
    query = (
        select(SignIn, Person, Site)
        .join(Person, col(Person.id) == col(SignIn.person_id))
        .join(Site, col(Site.id) == col(Person.site_id))
        .where(col(SignIn.token_hash) == token_hash)
    )
    row = session.execute(query).first()
    return None if row is None else (row[0], row[1], row[2])


def token_of(session: Session, token_hash: str) -> tuple[ApiToken, Person, Site] | None:
    """Return an API token, its person and the person's site."""
    query = (
        select(ApiToken, Person, Site)
        .join(Person, col(Person.id) == col(ApiToken.person_id))
        .join(Site, col(Site.id) == col(Person.site_id))
        .where(col(ApiToken.token_hash) == token_hash)
    )
    row = session.execute(query).first()
    return None if row is None else (row[0], row[1], row[2])


def tokens(session: Session, site_id: int) -> list[tuple[ApiToken, Person]]:
    """Return every token of a site's people, the newest first."""
    query = (
        select(ApiToken, Person)
        .join(Person, col(Person.id) == col(ApiToken.person_id))
        .where(col(Person.site_id) == site_id)
        .order_by(col(ApiToken.id).desc())
    )
    return [(row[0], row[1]) for row in session.execute(query)]


def end_sessions(session: Session, person_id: int) -> None:
    """End every session of a person."""
    session.execute(delete(SignIn).where(col(SignIn.person_id) == person_id))


def last_digest(session: Session) -> str | None:
    """Return the digest of the newest line."""
    query = select(col(AuditLine.digest)).order_by(col(AuditLine.seq).desc()).limit(1)
    return session.execute(query).scalar()


def last_change(
    session: Session, site_id: int, shared: Sequence[str], unseen: Sequence[str]
) -> Row[Any] | None:
    """Return number and time of the newest change at a site, or of what sites share."""
    is_ours = [AUDIT_LINE.c.site_id == site_id]
    is_ours += [AUDIT_LINE.c.operation.contains(f".{area}", autoescape=True) for area in shared]
    query = (
        select(AUDIT_LINE.c.seq, AUDIT_LINE.c.at)
        .where(
            AUDIT_LINE.c.outcome == "done",
            *(~AUDIT_LINE.c.operation.contains(f".{one}", autoescape=True) for one in unseen),
            or_(*is_ours),
        )
        .order_by(AUDIT_LINE.c.seq.desc())
        .limit(1)
    )
    return session.execute(query).first()


def in_order(session: Session) -> Iterator[AuditLine]:
    """Return every line, the oldest first, some at a time."""
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
    """Return lines of a site and of nobody's site, the newest first."""
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
    query = (
        select(ITEM.c.ref, LOT.c.lot_number, LOT.c.serial)
        .join(ITEM, ITEM.c.id == LOT.c.item_id)
        .where(LOT.c.id.in_(lot_ids))
        .order_by(ITEM.c.ref, LOT.c.id)
    )
    return [f"{row.ref} {row.lot_number or row.serial}" for row in session.execute(query)]
