"""Data the planner works by, and what has been learned."""

from datetime import date, datetime
from typing import Any

from sqlalchemy import JSON, CheckConstraint, Column, UniqueConstraint, text
from sqlmodel import Field, SQLModel

from service.storage.database import UtcDateTime
from service.storage.tables.base import comparable_of, follow_changes


class ConstructTemplate(SQLModel, table=True):
    """A construct template as data."""

    __tablename__ = "construct_template"

    code: str = Field(primary_key=True)
    body: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))
    version: int = 1
    changed_at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    actor: str


class SizingDefault(SQLModel, table=True):
    """A figure the sizing assumes, with its source; set by the department."""

    __tablename__ = "sizing_default"

    key: str = Field(primary_key=True)
    value: float
    unit: str
    source: str
    note: str = ""
    version: int = 1


class GuidanceBook(SQLModel, table=True):
    """The guidance rules in force, as one document."""

    __tablename__ = "guidance_book"

    id: int | None = Field(default=None, primary_key=True)
    body: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))
    made_at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    actor: str


class PastUse(SQLModel, table=True):
    """What past cases used, as far as it is known from before the ledger."""

    __tablename__ = "usage_row"
    __table_args__ = (
        UniqueConstraint("item_id", "used_on", "lot_number", "case_reference", "outcome"),
        CheckConstraint("quantity > 0", name="quantity_positive"),
        CheckConstraint("outcome IN ('implanted', 'wasted')", name="outcome_known"),
    )

    id: int | None = Field(default=None, primary_key=True)
    item_id: int = Field(foreign_key="item.id", index=True)
    used_on: date
    quantity: int
    lot_number: str = ""
    case_reference: str = ""
    outcome: str = "implanted"
    lot_key: str | None = Field(default=None, sa_column=comparable_of("lot_number"))


class Recall(SQLModel, table=True):
    """A supplier's notice: units that must not be used."""

    __table_args__ = (
        CheckConstraint(
            "item_id IS NOT NULL OR supplier <> '' OR lot_number <> '' OR serial <> ''",
            name="recalls_something",
        ),
    )

    id: int | None = Field(default=None, primary_key=True)
    notice: str = Field(unique=True)
    item_id: int | None = Field(default=None, foreign_key="item.id")
    supplier: str = ""
    lot_number: str = ""
    serial: str = ""
    reason: str
    at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    actor: str
    #: The site that declared it; ``None`` where that was not kept: then any site may lift it.
    site_id: int | None = Field(default=None, foreign_key="site.id")
    #: Who asked for it to be lifted where a second person has to agree.
    lift_asked_at: datetime | None = Field(default=None, sa_column=Column(UtcDateTime))
    lift_asked_by: str = Field(default="", sa_column_kwargs={"server_default": text("''")})
    lift_asked_person_id: int | None = Field(default=None, foreign_key="person.id")
    lift_asked_why: str = Field(default="", sa_column_kwargs={"server_default": text("''")})
    lifted_at: datetime | None = Field(default=None, sa_column=Column(UtcDateTime))
    lifted_by: str = Field(default="", sa_column_kwargs={"server_default": text("''")})
    lifted_why: str = Field(default="", sa_column_kwargs={"server_default": text("''")})
    supplier_key: str | None = Field(default=None, sa_column=comparable_of("supplier"))
    lot_key: str | None = Field(default=None, sa_column=comparable_of("lot_number"))
    serial_key: str | None = Field(default=None, sa_column=comparable_of("serial"))


class ItemCode(SQLModel, table=True):
    """A code on a pack that a person has taught the service to read as an item."""

    __tablename__ = "item_code"

    code: str = Field(primary_key=True)
    item_id: int = Field(foreign_key="item.id", index=True)
    learned_at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    actor: str


class UnlearnedCode(SQLModel, table=True):
    """A code that was taught wrongly and is not read any more: who taught it, who took it back."""

    __tablename__ = "unlearned_code"

    id: int | None = Field(default=None, primary_key=True)
    code: str
    item_id: int = Field(foreign_key="item.id", index=True)
    learned_at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    taught_by: str
    unlearned_at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    actor: str
    reason: str


class DoneRequest(SQLModel, table=True):
    """A request with an Idempotency-Key that has been carried out, and what was answered."""

    __tablename__ = "done_request"

    key: str = Field(primary_key=True)
    fingerprint: str
    body: str
    at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))


follow_changes(PastUse, lot_key="lot_number")
follow_changes(Recall, supplier_key="supplier", lot_key="lot_number", serial_key="serial")
