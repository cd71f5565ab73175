"""Suppliers, days without deliveries, orders and loans, and what came of them."""

from datetime import date, datetime
from typing import Any

from sqlalchemy import JSON, CheckConstraint, Column, UniqueConstraint
from sqlmodel import Field, SQLModel

from service.core.items import OWNERSHIPS
from service.storage.columns import UtcDateTime
from service.storage.tables.base import one_of

__all__ = ["Holiday", "LoanReturn", "OrderLine", "OrderReceipt", "Supplier", "SupplyOrder"]

#: An order is late or partly received by its dates and lines, so neither is a state of its own.
ORDER_STATES = frozenset({"draft", "approved", "sent", "received", "cancelled"})
#: A loan goes back; a call-off takes from what the supplier owns here; a bill-only line pays for
#: consigned units that were implanted, and brings nothing.
ORDER_KINDS = frozenset({"purchase", "loan", "call_off", "bill_only"})


class Supplier(SQLModel, table=True):
    """Who sends: how an order is priced and addressed, and on which days it is worked on."""

    __table_args__ = (
        CheckConstraint("minimum_order_minor >= 0", name="minimum_not_below_0"),
        CheckConstraint("length(works_on) = 7", name="works_on_seven_days"),
        CheckConstraint(
            "(endpoint_id = '') = (endpoint_scheme = '')", name="endpoint_with_its_scheme"
        ),
    )

    id: int | None = Field(default=None, primary_key=True)
    name: str = Field(unique=True)
    minimum_order_minor: int = 0
    currency: str = ""
    #: Monday to Sunday, ``1`` for a day on which lead times run.
    works_on: str = "1111111"
    #: Local time of day, in minutes, until which an order still counts for the same day.
    cut_off_minute: int | None = None
    endpoint_id: str = ""
    endpoint_scheme: str = ""
    is_loan_lender: bool = False
    version: int = 1


class Holiday(SQLModel, table=True):
    """A day on which the site neither sends nor receives."""

    site_id: int = Field(foreign_key="site.id", primary_key=True)
    day: date = Field(primary_key=True)
    name: str


class SupplyOrder(SQLModel, table=True):
    """An order, a loan or a call-off from one supplier; what is outstanding is on its way."""

    __tablename__ = "supply_order"
    __table_args__ = (
        UniqueConstraint("site_id", "reference"),
        one_of("state", ORDER_STATES),
        one_of("kind", ORDER_KINDS),
        one_of("ownership", OWNERSHIPS),
        CheckConstraint("usable_from >= due_at", name="usable_after_due"),
        CheckConstraint("(due_at IS NULL) = (usable_from IS NULL)", name="due_and_usable_from"),
        CheckConstraint(
            "ownership <> 'loan' OR return_by IS NOT NULL OR state IN ('draft', 'cancelled')",
            name="loan_has_return",
        ),
    )

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id")
    reference: str
    supplier: str
    kind: str = "purchase"
    ownership: str = "owned"
    state: str = "draft"
    currency: str | None = None
    due_at: datetime | None = Field(default=None, sa_column=Column(UtcDateTime))
    usable_from: datetime | None = Field(default=None, sa_column=Column(UtcDateTime))
    return_by: date | None = None
    note: str = ""
    #: For which list or case a loan is asked, as said by whom asked.
    wanted_for: str = ""
    made_at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    made_by: str
    approved_at: datetime | None = Field(default=None, sa_column=Column(UtcDateTime))
    approved_by: str = ""
    sent_at: datetime | None = Field(default=None, sa_column=Column(UtcDateTime))
    sent_by: str = ""
    closed_at: datetime | None = Field(default=None, sa_column=Column(UtcDateTime))
    closed_by: str = ""
    closed_why: str = ""
    version: int = 1


class OrderLine(SQLModel, table=True):
    """Units of one item on an order; outstanding is what neither came nor was let go."""

    __tablename__ = "order_line"
    __table_args__ = (
        UniqueConstraint("order_id", "item_id"),
        CheckConstraint("quantity > 0", name="quantity_positive"),
        CheckConstraint("received >= 0", name="received_not_below_0"),
        CheckConstraint("let_go >= 0", name="let_go_not_below_0"),
        CheckConstraint("unit_price_minor >= 0", name="price_not_below_0"),
    )

    id: int | None = Field(default=None, primary_key=True)
    order_id: int = Field(foreign_key="supply_order.id", index=True)
    item_id: int = Field(foreign_key="item.id", index=True)
    quantity: int
    received: int = 0
    let_go: int = 0
    unit_price_minor: int | None = None
    #: Reasons as plain words: the cases it is for, or the par level.
    why: list[str] = Field(default_factory=list, sa_column=Column(JSON, nullable=False))


class OrderReceipt(SQLModel, table=True):
    """Units that came for a line, and the line of the ledger that put them on a shelf."""

    __tablename__ = "order_receipt"
    __table_args__ = (CheckConstraint("quantity > 0", name="quantity_positive"),)

    id: int | None = Field(default=None, primary_key=True)
    line_id: int = Field(foreign_key="order_line.id", index=True)
    movement_seq: int = Field(foreign_key="movement.seq", unique=True)
    quantity: int
    at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    actor: str


class LoanReturn(SQLModel, table=True):
    """What went back of a loan, and what was missing from it."""

    __tablename__ = "loan_return"
    __table_args__ = (
        CheckConstraint("quantity >= 0 AND missing >= 0", name="none_below_0"),
        CheckConstraint("quantity + missing > 0", name="something"),
    )

    id: int | None = Field(default=None, primary_key=True)
    line_id: int = Field(foreign_key="order_line.id", index=True)
    quantity: int
    missing: int
    note: str = ""
    facts: dict[str, Any] = Field(default_factory=dict, sa_column=Column(JSON, nullable=False))
    at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    actor: str
