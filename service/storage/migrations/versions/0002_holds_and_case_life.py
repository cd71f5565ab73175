"""holds, case life, recalls, idempotency."""

import sqlalchemy as sa
from alembic import op

from service.storage.columns import UtcDateTime

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables forward."""
    op.create_table(
        "done_request",
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("fingerprint", sa.String(), nullable=False),
        sa.Column("body", sa.String(), nullable=False),
        sa.Column("at", UtcDateTime(), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_done_request")),
    )
    op.create_table(
        "item_code",
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("item_id", sa.Integer(), nullable=False),
        sa.Column("learned_at", UtcDateTime(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["item_id"], ["item.id"], name=op.f("fk_item_code_item_id")),
        sa.PrimaryKeyConstraint("code", name=op.f("pk_item_code")),
    )
    with op.batch_alter_table("item_code", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_item_code_item_id"), ["item_id"], unique=False)

    op.create_table(
        "recall",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("notice", sa.String(), nullable=False),
        sa.Column("item_id", sa.Integer(), nullable=True),
        sa.Column("supplier", sa.String(), nullable=False),
        sa.Column("lot_number", sa.String(), nullable=False),
        sa.Column("serial", sa.String(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("at", UtcDateTime(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
        sa.Column("lifted_at", UtcDateTime(), nullable=True),
        sa.CheckConstraint(
            "item_id IS NOT NULL OR supplier <> '' OR lot_number <> '' OR serial <> ''",
            name=op.f("ck_recall_recalls_something"),
        ),
        sa.ForeignKeyConstraint(["item_id"], ["item.id"], name=op.f("fk_recall_item_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_recall")),
        sa.UniqueConstraint("notice", name=op.f("uq_recall_notice")),
    )
    op.create_table(
        "case_event",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("case_id", sa.Integer(), nullable=False),
        sa.Column("at", UtcDateTime(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("says", sa.String(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
        sa.Column("seen_at", UtcDateTime(), nullable=True),
        sa.ForeignKeyConstraint(
            ["case_id"], ["surgical_case.id"], name=op.f("fk_case_event_case_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_case_event")),
    )
    with op.batch_alter_table("case_event", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_case_event_case_id"), ["case_id"], unique=False)

    op.create_table(
        "case_pack",
        sa.Column("case_id", sa.Integer(), nullable=False),
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("home_location_id", sa.Integer(), nullable=False),
        sa.Column("picked", sa.Integer(), nullable=False),
        sa.Column("returned", sa.Integer(), nullable=False),
        sa.Column("implanted", sa.Integer(), nullable=False),
        sa.Column("wasted", sa.Integer(), nullable=False),
        sa.CheckConstraint("picked > 0", name=op.f("ck_case_pack_picked_positive")),
        sa.CheckConstraint(
            "returned + implanted + wasted <= picked", name=op.f("ck_case_pack_no_more_than_picked")
        ),
        sa.CheckConstraint(
            "returned >= 0 AND implanted >= 0 AND wasted >= 0",
            name=op.f("ck_case_pack_none_below_0"),
        ),
        sa.ForeignKeyConstraint(
            ["case_id"], ["surgical_case.id"], name=op.f("fk_case_pack_case_id")
        ),
        sa.ForeignKeyConstraint(
            ["home_location_id"], ["location.id"], name=op.f("fk_case_pack_home_location_id")
        ),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_case_pack_lot_id")),
        sa.PrimaryKeyConstraint("case_id", "lot_id", "home_location_id", name=op.f("pk_case_pack")),
    )
    op.create_table(
        "hold",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("case_id", sa.Integer(), nullable=False),
        sa.Column("plan_id", sa.Integer(), nullable=True),
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("location_id", sa.Integer(), nullable=False),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("list_date", sa.Date(), nullable=False),
        sa.Column("list_id", sa.Integer(), nullable=False),
        sa.Column("stays", sa.Boolean(), nullable=False),
        sa.Column("is_set", sa.Boolean(), nullable=False),
        sa.Column("from_at", UtcDateTime(), nullable=False),
        sa.Column("until_at", UtcDateTime(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("share_group", sa.String(), nullable=True),
        sa.Column("made_at", UtcDateTime(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
        sa.Column("released_at", UtcDateTime(), nullable=True),
        sa.Column("released_why", sa.String(), nullable=False),
        sa.CheckConstraint("quantity > 0", name=op.f("ck_hold_quantity_positive")),
        sa.CheckConstraint("until_at > from_at", name=op.f("ck_hold_until_after_from")),
        sa.ForeignKeyConstraint(["case_id"], ["surgical_case.id"], name=op.f("fk_hold_case_id")),
        sa.ForeignKeyConstraint(["list_id"], ["operating_list.id"], name=op.f("fk_hold_list_id")),
        sa.ForeignKeyConstraint(["location_id"], ["location.id"], name=op.f("fk_hold_location_id")),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_hold_lot_id")),
        sa.ForeignKeyConstraint(["plan_id"], ["plan.id"], name=op.f("fk_hold_plan_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_hold")),
    )
    with op.batch_alter_table("hold", schema=None) as batch_op:
        batch_op.create_index(
            "ix_hold_active_case",
            ["case_id"],
            unique=False,
            sqlite_where=sa.text("released_at IS NULL"),
            postgresql_where=sa.text("released_at IS NULL"),
        )
        batch_op.create_index(
            "ix_hold_active_lot",
            ["lot_id", "location_id"],
            unique=False,
            sqlite_where=sa.text("released_at IS NULL"),
            postgresql_where=sa.text("released_at IS NULL"),
        )


def downgrade() -> None:
    """Take the change back."""
    with op.batch_alter_table("hold", schema=None) as batch_op:
        batch_op.drop_index(
            "ix_hold_active_lot",
            sqlite_where=sa.text("released_at IS NULL"),
            postgresql_where=sa.text("released_at IS NULL"),
        )
        batch_op.drop_index(
            "ix_hold_active_case",
            sqlite_where=sa.text("released_at IS NULL"),
            postgresql_where=sa.text("released_at IS NULL"),
        )

    op.drop_table("hold")
    op.drop_table("case_pack")
    with op.batch_alter_table("case_event", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_case_event_case_id"))

    op.drop_table("case_event")
    op.drop_table("recall")
    with op.batch_alter_table("item_code", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_item_code_item_id"))

    op.drop_table("item_code")
    op.drop_table("done_request")
