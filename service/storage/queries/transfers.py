"""Reading transfers and sites."""

from sqlalchemy import or_, select
from sqlmodel import Session, col

from service.storage.tables import Site, Transfer

__all__ = ["of_site", "other_sites", "site_of_code"]


def of_site(session: Session, site_id: int) -> list[Transfer]:
    """Give the transfers from or to a site, the newest first."""
    query = select(Transfer).where(
        or_(col(Transfer.from_site_id) == site_id, col(Transfer.to_site_id) == site_id)
    )
    return list(session.execute(query.order_by(col(Transfer.id).desc())).scalars())


def site_of_code(session: Session, code: str) -> Site | None:
    """Give a site by its code."""
    return session.execute(select(Site).filter_by(code=code)).scalars().first()


def other_sites(session: Session, site_id: int) -> list[Site]:
    """Give every site but one, by name."""
    query = select(Site).where(col(Site.id) != site_id).order_by(col(Site.name), col(Site.id))
    return list(session.execute(query).scalars())
