"""The tables. Rows are not validated here: schemas check what comes in, CHECKs what goes in."""

from datetime import date, datetime
from typing import Any

from sqlalchemy import JSON, CheckConstraint, Column, Index, Table, UniqueConstraint, text
from sqlmodel import Field, SQLModel

from service.core.items import HEAD_DESIGNS, ITEM_KINDS, OWNERSHIPS, SIDES, STERILITIES, THREADS
from service.storage.columns import UtcDateTime

__all__ = [
    "Balance",
    "ConstructTemplate",
    "Delivery",
    "GuidanceBook",
    "Item",
    "Location",
    "Lot",
    "Movement",
    "OperatingList",
    "Plan",
    "Site",
    "SizingDefault",
    "SurgicalCase",
    "UsageRow",
    "table_of",
]

# Named constraints, so that a migration can find them on both databases.
SQLModel.metadata.naming_convention = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}

LOCATION_KINDS = frozenset({"shelf", "quarantine", "theatre"})
MOVEMENT_KINDS = frozenset(
    {
        *("receive", "move", "pick", "return", "implant", "waste", "write_off", "count"),
        *("quarantine", "release", "loan_in", "loan_out", "consigned_use"),
    }
)
CASE_STATUSES = frozenset({"planned", "prepared", "in_theatre", "closed", "cancelled"})


def table_of(model: type[SQLModel]) -> Table:
    """Give the plain table under a row class, for queries that want no objects."""
    return SQLModel.metadata.tables[str(model.__tablename__)]


def _one_of(column: str, values: frozenset[str], *, absent: bool = False) -> CheckConstraint:
    listed = ", ".join(f"'{value}'" for value in sorted(values))
    rule = f"{column} IN ({listed})"
    return CheckConstraint(
        f"{column} IS NULL OR {rule}" if absent else rule, name=f"{column}_known"
    )


def _positive(*columns: str) -> list[CheckConstraint]:
    return [
        CheckConstraint(f"{column} IS NULL OR {column} > 0", name=f"{column}_positive")
        for column in columns
    ]


class Site(SQLModel, table=True):
    """A hospital site with its own stores and time zone."""

    id: int | None = Field(default=None, primary_key=True)
    code: str = Field(unique=True)
    name: str
    timezone: str
    is_demo: bool = False


class Location(SQLModel, table=True):
    """A shelf in a store, or the quarantine, or a theatre."""

    __table_args__ = (
        UniqueConstraint("site_id", "store", "shelf"),
        _one_of("kind", LOCATION_KINDS),
    )

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id")
    store: str
    shelf: str
    kind: str = "shelf"


class Item(SQLModel, table=True):
    """A catalogue line with the typed columns the trade searches by."""

    __table_args__ = (
        _one_of("kind", ITEM_KINDS),
        _one_of("side", SIDES, absent=True),
        _one_of("head_design", HEAD_DESIGNS, absent=True),
        _one_of("thread", THREADS, absent=True),
        *_positive("length_mm", "diameter_mm", "angle_deg", "thread_length_mm", "holes"),
        *_positive("barrel_mm", "bow_radius_mm", "pack_quantity", "turnaround_minutes"),
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


class Lot(SQLModel, table=True):
    """Units of one item that share lot or serial, use-by date, owner and sterility state."""

    __table_args__ = (
        # Empty text instead of NULL: NULLs would be distinct and let the same lot in twice.
        UniqueConstraint("item_id", "lot_number", "serial", "ownership"),
        CheckConstraint("lot_number <> '' OR serial <> ''", name="lot_or_serial"),
        CheckConstraint("ownership <> 'loan' OR return_by IS NOT NULL", name="loan_has_return"),
        _one_of("ownership", OWNERSHIPS),
        _one_of("sterility", STERILITIES),
    )

    id: int | None = Field(default=None, primary_key=True)
    item_id: int = Field(foreign_key="item.id")
    lot_number: str = ""
    serial: str = ""
    use_by: date | None = None
    ownership: str = "owned"
    return_by: date | None = None
    sterility: str = "sterile"


class Movement(SQLModel, table=True):
    """One line of the ledger: units of a lot from one location to another; never changed."""

    __table_args__ = (
        _one_of("kind", MOVEMENT_KINDS),
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
    corrects_seq: int | None = Field(default=None, foreign_key="movement.seq")


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
        _one_of("status", CASE_STATUSES),
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


class Delivery(SQLModel, table=True):
    """Units on their way: an order or a loan; not stock until received."""

    __table_args__ = (
        UniqueConstraint("site_id", "reference", "item_id"),
        CheckConstraint("quantity > 0", name="quantity_positive"),
        CheckConstraint("usable_from >= due_at", name="usable_after_due"),
        CheckConstraint("ownership <> 'loan' OR return_by IS NOT NULL", name="loan_has_return"),
        _one_of("ownership", OWNERSHIPS),
    )

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id")
    reference: str
    item_id: int = Field(foreign_key="item.id")
    quantity: int
    ownership: str = "owned"
    due_at: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    usable_from: datetime = Field(sa_column=Column(UtcDateTime, nullable=False))
    return_by: date | None = None
    supplier: str = ""


class UsageRow(SQLModel, table=True):
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
