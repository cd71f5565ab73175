"""Sites, locations, items, lots, the ledger and its balances."""

from datetime import date, datetime

from sqlalchemy import CheckConstraint, Column, Index, UniqueConstraint, text
from sqlmodel import Field, SQLModel

from service.core.catalogue import HEAD_DESIGNS, ITEM_KINDS, OWNERSHIPS, SIDES, STERILITIES, THREADS
from service.storage.database import UtcDateTime
from service.storage.tables.base import comparable_of, follow_changes, one_of, positive

LOCATION_KINDS = frozenset({"shelf", "quarantine", "theatre", "reprocessing", "transit"})


MOVEMENT_KINDS = frozenset(
    {
        *("receive", "move", "pick", "return", "implant", "waste", "write_off", "count"),
        *("quarantine", "release", "loan_in", "loan_out", "consigned_use"),
        *("reprocess", "sterilise"),
    }
)


class Site(SQLModel, table=True):
    """A hospital site with its own stores and time zone."""

    id: int | None = Field(default=None, primary_key=True)
    code: str = Field(unique=True)
    name: str
    timezone: str
    is_demo: bool = False


class Location(SQLModel, table=True):
    """A shelf, the quarantine, a tray, where sets are reprocessed or what is in transit stands."""

    __table_args__ = (
        UniqueConstraint("site_id", "store", "shelf"),
        one_of("kind", LOCATION_KINDS),
    )

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id")
    store: str
    shelf: str
    kind: str = "shelf"


class Item(SQLModel, table=True):
    """A catalogue line with the typed columns the trade searches by."""

    __table_args__ = (
        one_of("kind", ITEM_KINDS),
        one_of("side", SIDES, absent=True),
        one_of("head_design", HEAD_DESIGNS, absent=True),
        one_of("thread", THREADS, absent=True),
        *positive("length_mm", "diameter_mm", "angle_deg", "thread_length_mm", "holes"),
        *positive("barrel_mm", "bow_radius_mm", "pack_quantity", "turnaround_minutes"),
        CheckConstraint(
            "unit_price_minor IS NULL OR unit_price_minor >= 0", name="price_not_below_0"
        ),
        CheckConstraint("lead_time_days IS NULL OR lead_time_days >= 0", name="lead_not_below_0"),
        CheckConstraint("gtin IS NULL OR length(gtin) = 14", name="gtin_14"),
        Index("ix_item_kind_system", "kind", "system"),
    )

    id: int | None = Field(default=None, primary_key=True)
    ref: str = Field(unique=True)
    gtin: str | None = Field(default=None, unique=True)
    kind: str
    system: str | None = None
    description: str
    supplier: str
    length_mm: float | None = None
    diameter_mm: float | None = None
    angle_deg: float | None = None
    side: str | None = None
    screw_type: str | None = None
    head_design: str | None = None
    thread: str | None = None
    thread_length_mm: float | None = None
    holes: int | None = None
    barrel_mm: float | None = None
    bow_radius_mm: float | None = None
    supplied_sterile: bool
    reusable: bool
    pack_quantity: int = 1
    unit_price_minor: int | None = None
    currency: str | None = None
    lead_time_days: int | None = None
    emdn_code: str | None = None
    turnaround_minutes: int | None = None
    version: int = 1
    supplier_key: str | None = Field(default=None, sa_column=comparable_of("supplier"))


class Lot(SQLModel, table=True):
    """Units of one item that share lot or serial, use-by date, owner and sterility state."""

    __table_args__ = (
        # Empty text instead of NULL: NULLs would be distinct and let the same lot in twice.
        UniqueConstraint("item_id", "lot_number", "serial", "ownership"),
        CheckConstraint("lot_number <> '' OR serial <> ''", name="lot_or_serial"),
        CheckConstraint("ownership <> 'loan' OR return_by IS NOT NULL", name="loan_has_return"),
        one_of("ownership", OWNERSHIPS),
        one_of("sterility", STERILITIES),
        Index("ix_lot_lot_key", "lot_key"),
        Index("ix_lot_serial_key", "serial_key"),
    )

    id: int | None = Field(default=None, primary_key=True)
    item_id: int = Field(foreign_key="item.id")
    lot_number: str = ""
    serial: str = ""
    use_by: date | None = None
    ownership: str = "owned"
    return_by: date | None = None
    sterility: str = "sterile"
    lot_key: str | None = Field(default=None, sa_column=comparable_of("lot_number"))
    serial_key: str | None = Field(default=None, sa_column=comparable_of("serial"))


class Movement(SQLModel, table=True):
    """One line of the ledger: units of a lot from one location to another; never changed."""

    __table_args__ = (
        one_of("kind", MOVEMENT_KINDS),
        CheckConstraint("quantity > 0", name="quantity_positive"),
        CheckConstraint(
            "from_location_id IS NOT NULL OR to_location_id IS NOT NULL", name="moves_somewhere"
        ),
        CheckConstraint("from_location_id <> to_location_id", name="moves_elsewhere"),
        {"sqlite_autoincrement": True},
    )

    seq: int | None = Field(default=None, primary_key=True)
    at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    kind: str
    lot_id: int = Field(foreign_key="lot.id", index=True)
    from_location_id: int | None = Field(default=None, foreign_key="location.id")
    to_location_id: int | None = Field(default=None, foreign_key="location.id")
    quantity: int
    case_id: int | None = Field(default=None, foreign_key="surgical_case.id", index=True)
    reason: str = ""
    actor: str
    corrects_seq: int | None = Field(default=None, foreign_key="movement.seq", unique=True)
    transfer_id: int | None = Field(default=None, foreign_key="transfer.id", index=True)


class Balance(SQLModel, table=True):
    """How many units of a lot lie at a location; always equal to the replayed ledger."""

    __table_args__ = (
        CheckConstraint("quantity >= 0", name="quantity_not_below_0"),
        CheckConstraint("held >= 0", name="held_not_below_0"),
        CheckConstraint("held <= quantity", name="held_within_quantity"),
        Index(
            "ix_balance_free",
            "lot_id",
            sqlite_where=text("quantity > held"),
            postgresql_where=text("quantity > held"),
        ),
    )

    lot_id: int = Field(foreign_key="lot.id", primary_key=True)
    location_id: int = Field(foreign_key="location.id", primary_key=True)
    quantity: int = 0
    held: int = 0


follow_changes(Item, supplier_key="supplier")
follow_changes(Lot, lot_key="lot_number", serial_key="serial")
