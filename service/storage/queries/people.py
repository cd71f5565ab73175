"""Reading people, their sessions and tokens."""

from sqlalchemy import delete, select
from sqlmodel import Session, col

from service.storage.tables import ApiToken, Person, SignIn, Site

__all__ = ["by_sign_in", "end_sessions", "everyone", "session_of", "token_of", "tokens"]


def by_sign_in(session: Session, sign_in: str) -> Person | None:
    """Give the account of a sign-in name."""
    return session.execute(select(Person).filter_by(sign_in=sign_in)).scalars().first()


def everyone(session: Session, site_id: int) -> list[Person]:
    """Give every account of a site, by name."""
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
    """Give a session, its person and the person's site."""
    query = (
        select(SignIn, Person, Site)
        .join(Person, col(Person.id) == col(SignIn.person_id))
        .join(Site, col(Site.id) == col(Person.site_id))
        .where(col(SignIn.token_hash) == token_hash)
    )
    row = session.execute(query).first()
    return None if row is None else (row[0], row[1], row[2])


def token_of(session: Session, token_hash: str) -> tuple[ApiToken, Person, Site] | None:
    """Give an API token, its person and the person's site."""
    query = (
        select(ApiToken, Person, Site)
        .join(Person, col(Person.id) == col(ApiToken.person_id))
        .join(Site, col(Site.id) == col(Person.site_id))
        .where(col(ApiToken.token_hash) == token_hash)
    )
    row = session.execute(query).first()
    return None if row is None else (row[0], row[1], row[2])


def tokens(session: Session, site_id: int) -> list[tuple[ApiToken, Person]]:
    """Give every token of a site's people, the newest first."""
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
