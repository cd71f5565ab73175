"""supply and par; what is on its way becomes what is outstanding on orders."""

from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa
from alembic import op
from sqlalchemy import Connection, select

from service.storage.columns import UtcDateTime

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

_MADE_BY = "the deliveries of an earlier version"
_KIND_OF = {"owned": "purchase", "loan": "loan", "consigned": "call_off"}

# As they are at this point of the history, whatever becomes of them later.
_META = sa.MetaData()
ITEM = sa.Table("item", _META, sa.Column("id", sa.Integer), sa.Column("supplier", sa.String))
DELIVERY = sa.Table(
    "delivery",
    _META,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("site_id", sa.Integer),
    sa.Column("reference", sa.String),
    sa.Column("item_id", sa.Integer),
    sa.Column("quantity", sa.Integer),
    sa.Column("ownership", sa.String),
    sa.Column("due_at", UtcDateTime()),
    sa.Column("usable_from", UtcDateTime()),
    sa.Column("return_by", sa.Date),
    sa.Column("supplier", sa.String),
)
ORDER = sa.Table(
    "supply_order",
    _META,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("site_id", sa.Integer),
    sa.Column("reference", sa.String),
    sa.Column("supplier", sa.String),
    sa.Column("kind", sa.String),
    sa.Column("ownership", sa.String),
    sa.Column("state", sa.String),
    sa.Column("due_at", UtcDateTime()),
    sa.Column("usable_from", UtcDateTime()),
    sa.Column("return_by", sa.Date),
    *(
        sa.Column(name, sa.String)
        for name in ("note", "wanted_for", "made_by", "approved_by", "sent_by", "closed_by")
    ),
    sa.Column("closed_why", sa.String),
    sa.Column("made_at", UtcDateTime()),
    sa.Column("version", sa.Integer),
)
LINE = sa.Table(
    "order_line",
    _META,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("order_id", sa.Integer),
    sa.Column("item_id", sa.Integer),
    sa.Column("quantity", sa.Integer),
    sa.Column("wanted", sa.Integer),
    sa.Column("received", sa.Integer),
    sa.Column("let_go", sa.Integer),
    sa.Column("due_at", UtcDateTime()),
    sa.Column("usable_from", UtcDateTime()),
    sa.Column("why", sa.JSON),
)


def _deliveries_to_orders(connection: Connection) -> None:
    """Make a sent order of each delivery; one supplier, owner and return date an order.

    Lines of one reference that differ in these become orders of their own, numbered on.
    """
    query = (
        select(DELIVERY, ITEM.c.supplier.label("item_supplier"))
        .join(ITEM, ITEM.c.id == DELIVERY.c.item_id)
        .order_by(DELIVERY.c.id)
    )
    rows = connection.execute(query).all()
    taken = {(row.site_id, row.reference) for row in rows}
    orders: dict[tuple[Any, ...], Any] = {}
    for row in rows:
        supplier = row.supplier or row.item_supplier
        key = (row.site_id, row.reference, supplier, row.ownership, row.return_by)
        if key not in orders:
            is_first = all(one[:2] != key[:2] for one in orders)
            orders[key] = _sent_order(connection, row, supplier, taken, is_first=is_first)
        order_id, due_at, usable_from = orders[key]
        same = (row.due_at, row.usable_from) == (due_at, usable_from)
        line = {
            "order_id": order_id,
            "item_id": row.item_id,
            "quantity": row.quantity,
            "wanted": row.quantity,
            "received": 0,
            "let_go": 0,
            "due_at": None if same else row.due_at,
            "usable_from": None if same else row.usable_from,
            "why": [],
        }
        connection.execute(LINE.insert(), line)


def _sent_order(
    connection: Connection,
    row: sa.Row[Any],
    supplier: str,
    taken: set[tuple[int, str]],
    *,
    is_first: bool,
) -> tuple[Any, datetime, datetime]:
    reference, number = row.reference, 2
    while not is_first and (row.site_id, reference) in taken:
        reference = f"{row.reference}-{number}"
        number += 1
    taken.add((row.site_id, reference))
    order = {
        "site_id": row.site_id,
        "reference": reference,
        "supplier": supplier,
        "kind": _KIND_OF[row.ownership],
        "ownership": row.ownership,
        "state": "sent",
        "due_at": row.due_at,
        "usable_from": row.usable_from,
        "return_by": row.return_by,
        "note": "",
        "wanted_for": "",
        "made_at": datetime.now(UTC),
        "made_by": _MADE_BY,
        "approved_by": "",
        "sent_by": "",
        "closed_by": "",
        "closed_why": "",
        "version": 1,
    }
    key = connection.execute(ORDER.insert(), order).inserted_primary_key
    return (key[0] if key else None), row.due_at, row.usable_from


def _orders_to_deliveries(connection: Connection) -> None:
    """Give back what is outstanding on sent orders as deliveries."""
    due = [
        sa.func.coalesce(LINE.c[name], ORDER.c[name]).label(name)
        for name in ("due_at", "usable_from")
    ]
    left = LINE.c.quantity - LINE.c.received - LINE.c.let_go
    query = (
        select(
            *(ORDER.c[name] for name in ("site_id", "reference", "ownership", "return_by")),
            ORDER.c.supplier,
            LINE.c.item_id,
            left.label("quantity"),
            *due,
        )
        .join(ORDER, ORDER.c.id == LINE.c.order_id)
        .where(ORDER.c.state == "sent", ORDER.c.kind != "bill_only", left > 0)
        .order_by(LINE.c.id)
    )
    rows = [dict(row) for row in connection.execute(query).mappings()]
    if rows:
        connection.execute(DELIVERY.insert(), rows)


def _create_delivery() -> None:
    op.create_table(
        "delivery",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("reference", sa.String(), nullable=False),
        sa.Column("item_id", sa.Integer(), nullable=False),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("ownership", sa.String(), nullable=False),
        sa.Column("due_at", UtcDateTime(), nullable=False),
        sa.Column("usable_from", UtcDateTime(), nullable=False),
        sa.Column("return_by", sa.Date(), nullable=True),
        sa.Column("supplier", sa.String(), nullable=False),
        sa.CheckConstraint(
            "ownership <> 'loan' OR return_by IS NOT NULL", name=op.f("ck_delivery_loan_has_return")
        ),
        sa.CheckConstraint(
            "ownership IN ('consigned', 'loan', 'owned')", name=op.f("ck_delivery_ownership_known")
        ),
        sa.CheckConstraint("quantity > 0", name=op.f("ck_delivery_quantity_positive")),
        sa.CheckConstraint("usable_from >= due_at", name=op.f("ck_delivery_usable_after_due")),
        sa.ForeignKeyConstraint(["item_id"], ["item.id"], name=op.f("fk_delivery_item_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_delivery_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_delivery")),
        sa.UniqueConstraint(
            "site_id", "reference", "item_id", name=op.f("uq_delivery_site_id_reference_item_id")
        ),
    )


def upgrade() -> None:
    """Bring the tables forward."""
    op.create_table(
        "supplier",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("minimum_order_minor", sa.Integer(), nullable=False),
        sa.Column("currency", sa.String(), nullable=False),
        sa.Column("works_on", sa.String(), nullable=False),
        sa.Column("cut_off_minute", sa.Integer(), nullable=True),
        sa.Column("endpoint_id", sa.String(), nullable=False),
        sa.Column("endpoint_scheme", sa.String(), nullable=False),
        sa.Column("country", sa.String(), nullable=False),
        sa.Column("is_loan_lender", sa.Boolean(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "(endpoint_id = '') = (endpoint_scheme = '')",
            name=op.f("ck_supplier_endpoint_with_its_scheme"),
        ),
        sa.CheckConstraint("length(works_on) = 7", name=op.f("ck_supplier_works_on_seven_days")),
        sa.CheckConstraint(
            "minimum_order_minor >= 0", name=op.f("ck_supplier_minimum_not_below_0")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_supplier")),
        sa.UniqueConstraint("name", name=op.f("uq_supplier_name")),
    )
    op.create_table(
        "buyer",
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("legal_name", sa.String(), nullable=False),
        sa.Column("endpoint_id", sa.String(), nullable=False),
        sa.Column("endpoint_scheme", sa.String(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "(endpoint_id = '') = (endpoint_scheme = '')",
            name=op.f("ck_buyer_endpoint_with_its_scheme"),
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_buyer_site_id")),
        sa.PrimaryKeyConstraint("site_id", name=op.f("pk_buyer")),
    )
    op.create_table(
        "holiday",
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_holiday_site_id")),
        sa.PrimaryKeyConstraint("site_id", "day", name=op.f("pk_holiday")),
    )
    op.create_table(
        "par_level",
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("item_id", sa.Integer(), nullable=False),
        sa.Column("level", sa.Integer(), nullable=False),
        sa.Column("set_at", UtcDateTime(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
        sa.Column("why", sa.String(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint("level >= 0", name=op.f("ck_par_level_level_not_below_0")),
        sa.ForeignKeyConstraint(["item_id"], ["item.id"], name=op.f("fk_par_level_item_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_par_level_site_id")),
        sa.PrimaryKeyConstraint("site_id", "item_id", name=op.f("pk_par_level")),
    )
    op.create_table(
        "par_proposal",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("made_at", UtcDateTime(), nullable=False),
        sa.Column("made_by", sa.String(), nullable=False),
        sa.Column("asked", sa.JSON(), nullable=False),
        sa.Column("answer", sa.JSON(), nullable=False),
        sa.Column("closed_at", UtcDateTime(), nullable=True),
        sa.Column("closed_by", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_par_proposal_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_par_proposal")),
    )
    with op.batch_alter_table("par_proposal", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_par_proposal_site_id"), ["site_id"], unique=False)

    op.create_table(
        "supply_order",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("reference", sa.String(), nullable=False),
        sa.Column("supplier", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("ownership", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("currency", sa.String(), nullable=True),
        sa.Column("due_at", UtcDateTime(), nullable=True),
        sa.Column("usable_from", UtcDateTime(), nullable=True),
        sa.Column("return_by", sa.Date(), nullable=True),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("wanted_for", sa.String(), nullable=False),
        sa.Column("made_at", UtcDateTime(), nullable=False),
        sa.Column("made_by", sa.String(), nullable=False),
        sa.Column("approved_at", UtcDateTime(), nullable=True),
        sa.Column("approved_by", sa.String(), nullable=False),
        sa.Column("sent_at", UtcDateTime(), nullable=True),
        sa.Column("sent_by", sa.String(), nullable=False),
        sa.Column("closed_at", UtcDateTime(), nullable=True),
        sa.Column("closed_by", sa.String(), nullable=False),
        sa.Column("closed_why", sa.String(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "kind IN ('bill_only', 'call_off', 'loan', 'purchase')",
            name=op.f("ck_supply_order_kind_known"),
        ),
        sa.CheckConstraint(
            "ownership <> 'loan' OR return_by IS NOT NULL OR state IN ('draft', 'cancelled')",
            name=op.f("ck_supply_order_loan_has_return"),
        ),
        sa.CheckConstraint(
            "ownership IN ('consigned', 'loan', 'owned')",
            name=op.f("ck_supply_order_ownership_known"),
        ),
        sa.CheckConstraint(
            "state IN ('approved', 'cancelled', 'draft', 'received', 'sent')",
            name=op.f("ck_supply_order_state_known"),
        ),
        sa.CheckConstraint(
            "(due_at IS NULL) = (usable_from IS NULL)",
            name=op.f("ck_supply_order_due_and_usable_from"),
        ),
        sa.CheckConstraint(
            "state <> 'sent' OR due_at IS NOT NULL OR kind = 'bill_only'",
            name=op.f("ck_supply_order_sent_has_due"),
        ),
        sa.CheckConstraint("usable_from >= due_at", name=op.f("ck_supply_order_usable_after_due")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_supply_order_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_supply_order")),
        sa.UniqueConstraint("site_id", "reference", name=op.f("uq_supply_order_site_id_reference")),
    )
    op.create_table(
        "order_line",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("order_id", sa.Integer(), nullable=False),
        sa.Column("item_id", sa.Integer(), nullable=False),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("wanted", sa.Integer(), nullable=False),
        sa.Column("received", sa.Integer(), nullable=False),
        sa.Column("let_go", sa.Integer(), nullable=False),
        sa.Column("unit_price_minor", sa.Integer(), nullable=True),
        sa.Column("due_at", UtcDateTime(), nullable=True),
        sa.Column("usable_from", UtcDateTime(), nullable=True),
        sa.Column("why", sa.JSON(), nullable=False),
        sa.CheckConstraint("let_go >= 0", name=op.f("ck_order_line_let_go_not_below_0")),
        sa.CheckConstraint("quantity > 0", name=op.f("ck_order_line_quantity_positive")),
        sa.CheckConstraint("received >= 0", name=op.f("ck_order_line_received_not_below_0")),
        sa.CheckConstraint("unit_price_minor >= 0", name=op.f("ck_order_line_price_not_below_0")),
        sa.CheckConstraint("wanted > 0", name=op.f("ck_order_line_wanted_positive")),
        sa.CheckConstraint("usable_from >= due_at", name=op.f("ck_order_line_usable_after_due")),
        sa.CheckConstraint(
            "(due_at IS NULL) = (usable_from IS NULL)",
            name=op.f("ck_order_line_due_and_usable_from"),
        ),
        sa.ForeignKeyConstraint(["item_id"], ["item.id"], name=op.f("fk_order_line_item_id")),
        sa.ForeignKeyConstraint(
            ["order_id"], ["supply_order.id"], name=op.f("fk_order_line_order_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_order_line")),
        sa.UniqueConstraint("order_id", "item_id", name=op.f("uq_order_line_order_id_item_id")),
    )
    with op.batch_alter_table("order_line", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_order_line_item_id"), ["item_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_order_line_order_id"), ["order_id"], unique=False)

    op.create_table(
        "par_proposal_line",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("proposal_id", sa.Integer(), nullable=False),
        sa.Column("item_id", sa.Integer(), nullable=False),
        sa.Column("today", sa.Integer(), nullable=True),
        sa.Column("proposed", sa.Integer(), nullable=False),
        sa.Column("why", sa.JSON(), nullable=False),
        sa.Column("decision", sa.String(), nullable=False),
        sa.Column("chosen", sa.Integer(), nullable=True),
        sa.Column("decided_at", UtcDateTime(), nullable=True),
        sa.Column("decided_by", sa.String(), nullable=False),
        sa.Column("decided_why", sa.String(), nullable=False),
        sa.CheckConstraint(
            "decision IN ('accepted', 'changed', 'open', 'refused')",
            name=op.f("ck_par_proposal_line_decision_known"),
        ),
        sa.CheckConstraint("chosen >= 0", name=op.f("ck_par_proposal_line_chosen_not_below_0")),
        sa.CheckConstraint("proposed >= 0", name=op.f("ck_par_proposal_line_proposed_not_below_0")),
        sa.ForeignKeyConstraint(
            ["item_id"], ["item.id"], name=op.f("fk_par_proposal_line_item_id")
        ),
        sa.ForeignKeyConstraint(
            ["proposal_id"], ["par_proposal.id"], name=op.f("fk_par_proposal_line_proposal_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_par_proposal_line")),
        sa.UniqueConstraint(
            "proposal_id", "item_id", name=op.f("uq_par_proposal_line_proposal_id_item_id")
        ),
    )
    op.create_table(
        "loan_return",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("line_id", sa.Integer(), nullable=False),
        sa.Column("movement_seq", sa.Integer(), nullable=False),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("missing", sa.Integer(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("at", UtcDateTime(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
        sa.CheckConstraint("quantity + missing > 0", name=op.f("ck_loan_return_something")),
        sa.CheckConstraint(
            "quantity >= 0 AND missing >= 0", name=op.f("ck_loan_return_none_below_0")
        ),
        sa.ForeignKeyConstraint(
            ["line_id"], ["order_line.id"], name=op.f("fk_loan_return_line_id")
        ),
        sa.ForeignKeyConstraint(
            ["movement_seq"], ["movement.seq"], name=op.f("fk_loan_return_movement_seq")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_loan_return")),
        sa.UniqueConstraint("movement_seq", name=op.f("uq_loan_return_movement_seq")),
    )
    with op.batch_alter_table("loan_return", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_loan_return_line_id"), ["line_id"], unique=False)

    op.create_table(
        "order_receipt",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("line_id", sa.Integer(), nullable=False),
        sa.Column("movement_seq", sa.Integer(), nullable=False),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("at", UtcDateTime(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
        sa.CheckConstraint("quantity > 0", name=op.f("ck_order_receipt_quantity_positive")),
        sa.ForeignKeyConstraint(
            ["line_id"], ["order_line.id"], name=op.f("fk_order_receipt_line_id")
        ),
        sa.ForeignKeyConstraint(
            ["movement_seq"], ["movement.seq"], name=op.f("fk_order_receipt_movement_seq")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_order_receipt")),
        sa.UniqueConstraint("movement_seq", name=op.f("uq_order_receipt_movement_seq")),
    )
    with op.batch_alter_table("order_receipt", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_order_receipt_line_id"), ["line_id"], unique=False)

    op.create_table(
        "billed_use",
        sa.Column("movement_seq", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("line_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["line_id"], ["order_line.id"], name=op.f("fk_billed_use_line_id")),
        sa.ForeignKeyConstraint(
            ["movement_seq"], ["movement.seq"], name=op.f("fk_billed_use_movement_seq")
        ),
        sa.PrimaryKeyConstraint("movement_seq", name=op.f("pk_billed_use")),
    )
    with op.batch_alter_table("billed_use", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_billed_use_line_id"), ["line_id"], unique=False)

    op.create_table(
        "sterilisation",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("use_by", sa.Date(), nullable=True),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("at", UtcDateTime(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_sterilisation_lot_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_sterilisation_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sterilisation")),
    )
    with op.batch_alter_table("sterilisation", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_sterilisation_lot_id"), ["lot_id"], unique=False)

    _deliveries_to_orders(op.get_bind())
    op.drop_table("delivery")


def downgrade() -> None:
    """Take the change back."""
    _create_delivery()
    _orders_to_deliveries(op.get_bind())
    with op.batch_alter_table("sterilisation", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_sterilisation_lot_id"))

    op.drop_table("sterilisation")
    with op.batch_alter_table("billed_use", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_billed_use_line_id"))

    op.drop_table("billed_use")
    with op.batch_alter_table("order_receipt", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_order_receipt_line_id"))

    op.drop_table("order_receipt")
    with op.batch_alter_table("loan_return", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_loan_return_line_id"))

    op.drop_table("loan_return")
    op.drop_table("par_proposal_line")
    with op.batch_alter_table("order_line", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_order_line_order_id"))
        batch_op.drop_index(batch_op.f("ix_order_line_item_id"))

    op.drop_table("order_line")
    op.drop_table("supply_order")
    with op.batch_alter_table("par_proposal", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_par_proposal_site_id"))

    op.drop_table("par_proposal")
    op.drop_table("par_level")
    op.drop_table("holiday")
    op.drop_table("buyer")
    op.drop_table("supplier")
