"""Lists, cases, plans, holds and what became of the packs."""

from datetime import date, datetime
from typing import Any

from sqlalchemy import JSON, CheckConstraint, Column, Index, UniqueConstraint, false
from sqlmodel import Field, SQLModel

from service.storage.database import UtcDateTime
from service.storage.tables.base import one_of, where_active

CASE_STATUSES = frozenset({"planned", "prepared", "in_theatre", "closed", "cancelled"})


#: A case in one of these has ended.
ENDED_STATUSES = frozenset({"closed", "cancelled"})


#: The role of a hold on units that have been scanned to the case's tray.
IN_TRAY = "tray"


#: The role of a hold that a person made, not a plan.
BY_HAND = "by hand"


#: The kind of the event that a case was put off after it had begun.
PUT_OFF = "put off"


class OperatingList(SQLModel, table=True):
    """One theatre's list on one day."""

    __tablename__ = "operating_list"
    __table_args__ = (UniqueConstraint("site_id", "list_date", "theatre"),)

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id")
    list_date: date = Field(index=True)
    theatre: str


class SurgicalCase(SQLModel, table=True):
    """A case on a list; a local reference only, never a name."""

    __tablename__ = "surgical_case"
    __table_args__ = (
        UniqueConstraint("site_id", "reference"),
        CheckConstraint("position > 0", name="position_positive"),
        CheckConstraint("ends_at > starts_at", name="ends_after_start"),
        CheckConstraint("side IN ('left', 'right')", name="side_known"),
        CheckConstraint("sex IN ('F', 'M', 'unknown')", name="sex_known"),
        CheckConstraint(
            "(fracture_class IS NULL) = (class_year IS NULL)", name="class_carries_its_year"
        ),
        one_of("status", CASE_STATUSES),
    )

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id")
    list_id: int = Field(foreign_key="operating_list.id", index=True)
    reference: str
    position: int
    starts_at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    ends_at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    side: str
    sex: str = "unknown"
    fracture_class: str | None = None
    class_year: int | None = None
    findings: dict[str, Any] = Field(default_factory=dict, sa_column=Column(JSON, nullable=False))
    measurements: dict[str, Any] = Field(
        default_factory=dict, sa_column=Column(JSON, nullable=False)
    )
    status: str = "planned"
    version: int = 1


class Plan(SQLModel, table=True):
    """One revision of a case's plan; the latest counts, the others stay."""

    __table_args__ = (
        UniqueConstraint("case_id", "revision"),
        CheckConstraint("revision > 0", name="revision_positive"),
    )

    id: int | None = Field(default=None, primary_key=True)
    case_id: int = Field(foreign_key="surgical_case.id", index=True)
    revision: int
    body: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))
    made_at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    actor: str


class Hold(SQLModel, table=True):
    """Units of a lot promised to a case by a revision of its plan; released, never deleted.

    A hold for first use stays used on every later day; a backup counts on its own list day only.
    Holds of one share group lie on the same units: an unopened pack moves on to the next case.
    """

    __table_args__ = (
        CheckConstraint("quantity > 0", name="quantity_positive"),
        CheckConstraint("until_at > from_at", name="until_after_from"),
        Index("ix_hold_active_lot", "lot_id", "location_id", **where_active()),
        Index("ix_hold_active_case", "case_id", **where_active()),
    )

    id: int | None = Field(default=None, primary_key=True)
    case_id: int = Field(foreign_key="surgical_case.id")
    plan_id: int | None = Field(default=None, foreign_key="plan.id")
    lot_id: int = Field(foreign_key="lot.id")
    location_id: int = Field(foreign_key="location.id")
    quantity: int
    list_date: date
    list_id: int = Field(foreign_key="operating_list.id")
    stays: bool
    is_set: bool = False
    is_opened: bool = Field(default=False, sa_column_kwargs={"server_default": false()})
    from_at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    until_at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    role: str = ""
    share_group: str | None = None
    made_at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    actor: str
    released_at: datetime | None = Field(default=None, sa_column=Column(UtcDateTime))
    released_why: str = ""


class CasePack(SQLModel, table=True):
    """What became of the packs scanned to a case's tray; all must be accounted for to close it."""

    __tablename__ = "case_pack"
    __table_args__ = (
        CheckConstraint("picked > 0", name="picked_positive"),
        CheckConstraint("returned >= 0 AND implanted >= 0 AND wasted >= 0", name="none_below_0"),
        CheckConstraint("returned + implanted + wasted <= picked", name="no_more_than_picked"),
    )

    case_id: int = Field(foreign_key="surgical_case.id", primary_key=True)
    lot_id: int = Field(foreign_key="lot.id", primary_key=True)
    home_location_id: int = Field(foreign_key="location.id", primary_key=True)
    picked: int
    returned: int = 0
    implanted: int = 0
    wasted: int = 0


class CaseEvent(SQLModel, table=True):
    """Something that happened to a case and reopens it, such as a hold taken over."""

    __tablename__ = "case_event"

    id: int | None = Field(default=None, primary_key=True)
    case_id: int = Field(foreign_key="surgical_case.id", index=True)
    at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    kind: str
    says: str
    actor: str
    seen_at: datetime | None = Field(default=None, sa_column=Column(UtcDateTime))


class Confirmation(SQLModel, table=True):
    """A surgeon's word that the backups of a plan revision exist, and what was checked for it."""

    id: int | None = Field(default=None, primary_key=True)
    case_id: int = Field(foreign_key="surgical_case.id", index=True)
    plan_revision: int
    at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    actor: str
    checked: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))
    reopened_at: datetime | None = Field(default=None, sa_column=Column(UtcDateTime))
    reopened_why: str = ""
