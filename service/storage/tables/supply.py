"""Suppliers, days without deliveries, orders and loans, and what came of them."""

from datetime import date, datetime

from sqlalchemy import JSON, CheckConstraint, Column, ForeignKey, Integer, UniqueConstraint
from sqlmodel import Field, SQLModel

from service.core.catalogue import OWNERSHIPS
from service.storage.database import UtcDateTime
from service.storage.tables.base import one_of

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
    #: ISO 3166-1, two letters; an electronic order names the seller's country.
    country: str = ""
    is_loan_lender: bool = False
    version: int = 1


class Buyer(SQLModel, table=True):
    """Who orders, as electronic orders name a site."""

    __table_args__ = (
        CheckConstraint(
            "(endpoint_id = '') = (endpoint_scheme = '')", name="endpoint_with_its_scheme"
        ),
    )

    site_id: int = Field(foreign_key="site.id", primary_key=True)
    legal_name: str = ""
    endpoint_id: str = ""
    endpoint_scheme: str = ""
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
        CheckConstraint(
            "state <> 'sent' OR due_at IS NOT NULL OR kind = 'bill_only'", name="sent_has_due"
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
        CheckConstraint("wanted > 0", name="wanted_positive"),
        CheckConstraint("received >= 0", name="received_not_below_0"),
        CheckConstraint("let_go >= 0", name="let_go_not_below_0"),
        CheckConstraint("unit_price_minor >= 0", name="price_not_below_0"),
        CheckConstraint("usable_from >= due_at", name="usable_after_due"),
        CheckConstraint("(due_at IS NULL) = (usable_from IS NULL)", name="due_and_usable_from"),
    )

    id: int | None = Field(default=None, primary_key=True)
    order_id: int = Field(foreign_key="supply_order.id", index=True)
    item_id: int = Field(foreign_key="item.id", index=True)
    quantity: int
    #: Before it was rounded up to whole packs.
    wanted: int
    received: int = 0
    let_go: int = 0
    unit_price_minor: int | None = None
    #: Where the supplier has named another moment than the order's.
    due_at: datetime | None = Field(default=None, sa_column=Column(UtcDateTime))
    usable_from: datetime | None = Field(default=None, sa_column=Column(UtcDateTime))
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
    """Units of a loan that went back, or should have and were missing, and their ledger line."""

    __tablename__ = "loan_return"
    __table_args__ = (
        CheckConstraint("quantity >= 0 AND missing >= 0", name="none_below_0"),
        CheckConstraint("quantity + missing > 0", name="something"),
    )

    id: int | None = Field(default=None, primary_key=True)
    line_id: int = Field(foreign_key="order_line.id", index=True)
    movement_seq: int = Field(foreign_key="movement.seq", unique=True)
    quantity: int
    missing: int
    #: What a set came back without, or where a missing unit was looked for.
    note: str = ""
    at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    actor: str


class BilledUse(SQLModel, table=True):
    """A use of consigned units that a bill-only line pays for; each use once."""

    __tablename__ = "billed_use"

    movement_seq: int = Field(
        sa_column=Column(Integer, ForeignKey("movement.seq"), primary_key=True, autoincrement=False)
    )
    line_id: int = Field(foreign_key="order_line.id", index=True)


class Sterilisation(SQLModel, table=True):
    """A lot that was made sterile here: when, by whom, and what the steriliser's record says."""

    id: int | None = Field(default=None, primary_key=True)
    lot_id: int = Field(foreign_key="lot.id", index=True)
    site_id: int = Field(foreign_key="site.id")
    use_by: date | None = None
    note: str = ""
    at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    actor: str
