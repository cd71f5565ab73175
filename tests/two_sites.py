"""A second hospital in the same database, and people with one role each, who come with a token."""

from collections.abc import Collection
from datetime import timedelta
from functools import partial
from typing import Any

from sqlalchemy import select
from sqlmodel import col

from service.operations.locations import add_location
from service.operations.people.accounts import digest_of_token
from service.operations.people.permissions import ROLES
from service.operations.work import Caller, Unit, Work
from service.schemas.stock import LocationBody
from service.storage.tables import ApiToken, Person, SignIn, Site
from tests.conftest import FORM_TOKEN, NOW

OTHER_CODE = "OTHER"


def bearer(sign_in: str) -> dict[str, str]:
    """Give the header of somebody added by ``add_somebody``."""
    return {"Authorization": f"Bearer token-of-{sign_in}"}


def add_somebody(
    work: Work, sign_in: str, roles: Collection[str], site_id: int | None = None, **more: object
) -> int:
    """Add an account without a password, with a token that may do all it may, and a session."""

    def write(unit: Unit) -> int:
        fields: dict[str, Any] = {"name": sign_in, "password_hash": "", **more}
        person = Person(
            site_id=site_id or unit.site_id, sign_in=sign_in, roles=list(roles), **fields
        )
        unit.session.add(person)
        unit.session.flush()
        token = ApiToken(
            token_hash=digest_of_token(f"token-of-{sign_in}"),
            person_id=person.id or 0,
            name="tests",
            scopes=list(roles),
            made_at=NOW,
            ends_at=NOW + timedelta(days=30),
        )
        unit.session.add(token)
        unit.session.add(
            SignIn(
                token_hash=digest_of_token(f"session-of-{sign_in}"),
                person_id=person.id or 0,
                form_token=FORM_TOKEN,
                started_at=NOW,
                seen_at=NOW,
                ends_at=NOW + timedelta(days=30),
            )
        )
        return person.id or 0

    return work.write(write)


def add_site(work: Work) -> int:
    """Add the other hospital and give its id."""

    def write(unit: Unit) -> int:
        site = Site(code=OTHER_CODE, name="Other hospital", timezone="Europe/London")
        unit.session.add(site)
        unit.session.flush()
        return site.id or 0

    return work.write(write)


def own_code(work: Work) -> str:
    """Give the code of the first hospital."""
    query = select(col(Site.code)).order_by(col(Site.id)).limit(1)
    return str(work.read(lambda unit: unit.session.execute(query).scalar_one()))


def work_at(work: Work, site_id: int) -> Work:
    """Give the door of somebody with every role at a site."""
    caller = Caller("stranger", person_id=10**6, site_id=site_id, roles=frozenset(ROLES))
    return work.for_caller(caller, lambda _unit: None)


def furnish_other(work: Work, *shelves: dict[str, str]) -> None:
    """Make shelves at the other hospital."""
    for shelf in shelves:
        body = LocationBody.model_validate(shelf)
        work.write(partial(add_location, body=body))
