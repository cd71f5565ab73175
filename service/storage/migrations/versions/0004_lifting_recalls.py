"""who lifts a recall, and why; and codes that were taught wrongly and taken back."""

import sqlalchemy as sa
from alembic import op

from service.storage.database import UtcDateTime

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

#: New columns of text, empty where nothing was said.
_TEXTS = ("lift_asked_by", "lift_asked_why", "lifted_by", "lifted_why")

#: What a new column refers to; written out, as SQLite adds no such rule to a table that is there.
_REFERENCES = {"site_id": "site", "lift_asked_person_id": "person"}


def upgrade() -> None:
    """Bring the tables forward."""
    for column, table in _REFERENCES.items():
        op.execute(
            f"ALTER TABLE recall ADD COLUMN {column} INTEGER "
            f"CONSTRAINT fk_recall_{column} REFERENCES {table} (id)"
        )
    op.add_column("recall", sa.Column("lift_asked_at", UtcDateTime(), nullable=True))
    for text in _TEXTS:
        op.add_column(
            "recall", sa.Column(text, sa.String(), server_default=sa.text("''"), nullable=False)
        )
    # Of a recall that is on record its site was not kept. Where there is one site it was that;
    # otherwise it is the site of its actor, if all people of that name are at one.
    op.execute(
        "UPDATE recall SET site_id = (SELECT min(id) FROM site) "
        "WHERE (SELECT count(*) FROM site) = 1"
    )
    op.execute(
        "UPDATE recall SET site_id = (SELECT min(site_id) FROM person "
        "WHERE person.name = recall.actor) WHERE site_id IS NULL AND "
        "(SELECT count(DISTINCT site_id) FROM person WHERE person.name = recall.actor) = 1"
    )

    op.create_table(
        "unlearned_code",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("item_id", sa.Integer(), nullable=False),
        sa.Column("learned_at", UtcDateTime(), nullable=False),
        sa.Column("taught_by", sa.String(), nullable=False),
        sa.Column("unlearned_at", UtcDateTime(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["item_id"], ["item.id"], name=op.f("fk_unlearned_code_item_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_unlearned_code")),
    )
    op.create_index(op.f("ix_unlearned_code_item_id"), "unlearned_code", ["item_id"])


def downgrade() -> None:
    """Take the change back."""
    op.drop_table("unlearned_code")
    for column in (*_TEXTS, "lift_asked_at", *_REFERENCES):
        op.drop_column("recall", column)
