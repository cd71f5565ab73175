"""People, their sessions and tokens, the audit trail, and transfers between sites."""

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, CheckConstraint, Column, UniqueConstraint
from sqlmodel import Field, SQLModel

from service.storage.database import UtcDateTime
from service.storage.tables.base import one_of

#: ``agreed`` is history: such units were at the other site at once. Now they are ``sent``, and
#: ``settled`` when every one of them has arrived or been written off.
TRANSFER_STATES = frozenset({"asked", "agreed", "refused", "sent", "settled"})


class Person(SQLModel, table=True):
    """Somebody who may sign in, what they may do, and at which site."""

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id")
    sign_in: str = Field(unique=True)
    name: str
    roles: list[str] = Field(sa_column=Column(JSON, nullable=False))
    password_hash: str
    pin_hash: str = ""
    is_active: bool = True
    is_demo: bool = False
    version: int = 1


class SignIn(SQLModel, table=True):
    """A session: only a digest of its token is kept."""

    __tablename__ = "sign_in"

    token_hash: str = Field(primary_key=True)
    person_id: int = Field(foreign_key="person.id", index=True)
    form_token: str
    started_at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    seen_at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    ends_at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))


class ApiToken(SQLModel, table=True):
    """A token for a program: shown once, kept as a digest, bounded in scope and time."""

    __tablename__ = "api_token"

    id: int | None = Field(default=None, primary_key=True)
    token_hash: str = Field(unique=True)
    person_id: int = Field(foreign_key="person.id", index=True)
    name: str
    scopes: list[str] = Field(sa_column=Column(JSON, nullable=False))
    made_at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    ends_at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    revoked_at: datetime | None = Field(default=None, sa_column=Column(UtcDateTime))


class AuditLine(SQLModel, table=True):
    """Who did what, when, from where; each line carries the digest of the one before."""

    __tablename__ = "audit_line"
    __table_args__ = (UniqueConstraint("previous"), {"sqlite_autoincrement": True})

    seq: int | None = Field(default=None, primary_key=True)
    at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    site_id: int | None = Field(default=None, foreign_key="site.id")
    actor: str
    operation: str
    subject: str
    address: str
    outcome: str
    facts: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))
    previous: str
    digest: str = Field(index=True)


class Transfer(SQLModel, table=True):
    """Units that one site asks of another; they go when the other agrees, and are then in transit.

    How many have arrived is read off the lines of the ledger that name it.
    """

    __table_args__ = (
        CheckConstraint("quantity > 0", name="quantity_positive"),
        CheckConstraint("from_site_id <> to_site_id", name="between_two_sites"),
        one_of("state", TRANSFER_STATES),
    )

    id: int | None = Field(default=None, primary_key=True)
    from_site_id: int = Field(foreign_key="site.id")
    to_site_id: int = Field(foreign_key="site.id")
    item_id: int = Field(foreign_key="item.id")
    quantity: int
    to_location_id: int = Field(foreign_key="location.id")
    state: str = "asked"
    asked_at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    asked_by: str
    answered_at: datetime | None = Field(default=None, sa_column=Column(UtcDateTime))
    answered_by: str = ""
    expected_at: datetime | None = Field(default=None, sa_column=Column(UtcDateTime))
