"""Par levels in force, and proposals for new ones with what became of each line."""

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, CheckConstraint, Column, UniqueConstraint
from sqlmodel import Field, SQLModel

from service.storage.database import UtcDateTime
from service.storage.tables.base import one_of

PAR_DECISIONS = frozenset({"open", "accepted", "changed", "refused"})


class ParLevel(SQLModel, table=True):
    """How many units of an item a site's shelves should hold; without a row nobody has said."""

    __tablename__ = "par_level"
    __table_args__ = (CheckConstraint("level >= 0", name="level_not_below_0"),)

    site_id: int = Field(foreign_key="site.id", primary_key=True)
    item_id: int = Field(foreign_key="item.id", primary_key=True)
    level: int
    set_at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    actor: str
    why: str = ""
    version: int = 1


class ParProposal(SQLModel, table=True):
    """Proposed levels: what was asked, what it rests on, and what it computed."""

    __tablename__ = "par_proposal"

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id", index=True)
    made_at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    made_by: str
    asked: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))
    answer: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))
    closed_at: datetime | None = Field(default=None, sa_column=Column(UtcDateTime))
    closed_by: str = ""


class ParProposalLine(SQLModel, table=True):
    """One item of a proposal: today's level, the proposed one, why, and what was decided."""

    __tablename__ = "par_proposal_line"
    __table_args__ = (
        UniqueConstraint("proposal_id", "item_id"),
        one_of("decision", PAR_DECISIONS),
        CheckConstraint("proposed >= 0", name="proposed_not_below_0"),
        CheckConstraint("chosen >= 0", name="chosen_not_below_0"),
    )

    id: int | None = Field(default=None, primary_key=True)
    proposal_id: int = Field(foreign_key="par_proposal.id")
    item_id: int = Field(foreign_key="item.id")
    today: int | None = None
    proposed: int
    why: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))
    decision: str = "open"
    chosen: int | None = None
    decided_at: datetime | None = Field(default=None, sa_column=Column(UtcDateTime))
    decided_by: str = ""
    decided_why: str = ""
