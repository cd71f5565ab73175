"""confirmations."""

import sqlalchemy as sa
from alembic import op

from service.storage.columns import UtcDateTime

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables forward."""
    op.create_table(
        "confirmation",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("case_id", sa.Integer(), nullable=False),
        sa.Column("plan_revision", sa.Integer(), nullable=False),
        sa.Column("at", UtcDateTime(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
        sa.Column("checked", sa.JSON(), nullable=False),
        sa.Column("reopened_at", UtcDateTime(), nullable=True),
        sa.Column("reopened_why", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["case_id"], ["surgical_case.id"], name=op.f("fk_confirmation_case_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_confirmation")),
    )
    with op.batch_alter_table("confirmation", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_confirmation_case_id"), ["case_id"], unique=False)


def downgrade() -> None:
    """Take the change back."""
    with op.batch_alter_table("confirmation", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_confirmation_case_id"))

    op.drop_table("confirmation")
