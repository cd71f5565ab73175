"""people and audit."""

import sqlalchemy as sa
from alembic import op

from service.storage.columns import UtcDateTime

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

# The trail is append-only, like the ledger.
_APPEND_ONLY = {
    "sqlite": [
        f"CREATE TRIGGER audit_line_no_{verb.lower()} BEFORE {verb} ON audit_line "
        "BEGIN SELECT RAISE(ABORT, 'the audit trail is append-only'); END"
        for verb in ("UPDATE", "DELETE")
    ],
    "postgresql": [
        "CREATE FUNCTION audit_append_only() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RAISE EXCEPTION 'the audit trail is append-only'; END $$",
        "CREATE TRIGGER audit_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON audit_line FOR EACH STATEMENT EXECUTE FUNCTION audit_append_only()",
    ],
}


def upgrade() -> None:
    """Bring the tables forward."""
    op.create_table(
        "audit_line",
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("at", UtcDateTime(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=True),
        sa.Column("actor", sa.String(), nullable=False),
        sa.Column("operation", sa.String(), nullable=False),
        sa.Column("subject", sa.String(), nullable=False),
        sa.Column("address", sa.String(), nullable=False),
        sa.Column("outcome", sa.String(), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("previous", sa.String(), nullable=False),
        sa.Column("digest", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_audit_line_site_id")),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_audit_line")),
        sa.UniqueConstraint("previous", name=op.f("uq_audit_line_previous")),
        sqlite_autoincrement=True,
    )
    with op.batch_alter_table("audit_line", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_audit_line_digest"), ["digest"], unique=False)

    op.create_table(
        "person",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("sign_in", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("roles", sa.JSON(), nullable=False),
        sa.Column("password_hash", sa.String(), nullable=False),
        sa.Column("pin_hash", sa.String(), nullable=False),
        sa.Column("is_active", sa.Boolean(), nullable=False),
        sa.Column("is_demo", sa.Boolean(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_person_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_person")),
        sa.UniqueConstraint("sign_in", name=op.f("uq_person_sign_in")),
    )
    op.create_table(
        "api_token",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("token_hash", sa.String(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("scopes", sa.JSON(), nullable=False),
        sa.Column("made_at", UtcDateTime(), nullable=False),
        sa.Column("ends_at", UtcDateTime(), nullable=False),
        sa.Column("revoked_at", UtcDateTime(), nullable=True),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name=op.f("fk_api_token_person_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_api_token")),
        sa.UniqueConstraint("token_hash", name=op.f("uq_api_token_token_hash")),
    )
    with op.batch_alter_table("api_token", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_api_token_person_id"), ["person_id"], unique=False)

    op.create_table(
        "sign_in",
        sa.Column("token_hash", sa.String(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("form_token", sa.String(), nullable=False),
        sa.Column("started_at", UtcDateTime(), nullable=False),
        sa.Column("seen_at", UtcDateTime(), nullable=False),
        sa.Column("ends_at", UtcDateTime(), nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name=op.f("fk_sign_in_person_id")),
        sa.PrimaryKeyConstraint("token_hash", name=op.f("pk_sign_in")),
    )
    with op.batch_alter_table("sign_in", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_sign_in_person_id"), ["person_id"], unique=False)

    op.create_table(
        "transfer",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("from_site_id", sa.Integer(), nullable=False),
        sa.Column("to_site_id", sa.Integer(), nullable=False),
        sa.Column("item_id", sa.Integer(), nullable=False),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("to_location_id", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("asked_at", UtcDateTime(), nullable=False),
        sa.Column("asked_by", sa.String(), nullable=False),
        sa.Column("answered_at", UtcDateTime(), nullable=True),
        sa.Column("answered_by", sa.String(), nullable=False),
        sa.CheckConstraint(
            "state IN ('agreed', 'asked', 'refused')", name=op.f("ck_transfer_state_known")
        ),
        sa.CheckConstraint(
            "from_site_id <> to_site_id", name=op.f("ck_transfer_between_two_sites")
        ),
        sa.CheckConstraint("quantity > 0", name=op.f("ck_transfer_quantity_positive")),
        sa.ForeignKeyConstraint(
            ["from_site_id"], ["site.id"], name=op.f("fk_transfer_from_site_id")
        ),
        sa.ForeignKeyConstraint(["item_id"], ["item.id"], name=op.f("fk_transfer_item_id")),
        sa.ForeignKeyConstraint(
            ["to_location_id"], ["location.id"], name=op.f("fk_transfer_to_location_id")
        ),
        sa.ForeignKeyConstraint(["to_site_id"], ["site.id"], name=op.f("fk_transfer_to_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_transfer")),
    )
    for statement in _APPEND_ONLY[op.get_bind().dialect.name]:
        op.execute(statement)


def downgrade() -> None:
    """Take the change back."""
    if op.get_bind().dialect.name == "postgresql":
        op.execute("DROP TRIGGER audit_append_only ON audit_line")
        op.execute("DROP FUNCTION audit_append_only()")
    op.drop_table("transfer")
    with op.batch_alter_table("sign_in", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_sign_in_person_id"))

    op.drop_table("sign_in")
    with op.batch_alter_table("api_token", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_api_token_person_id"))

    op.drop_table("api_token")
    op.drop_table("person")
    with op.batch_alter_table("audit_line", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_audit_line_digest"))

    op.drop_table("audit_line")
