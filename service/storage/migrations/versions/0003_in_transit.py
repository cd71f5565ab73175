"""units in transit between sites: sent by one, not yet received by the other."""

import sqlalchemy as sa
from alembic import op

from service.storage.database import UtcDateTime
from service.storage.migrate import replace_check

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables forward."""
    replace_check(
        "location",
        "ck_location_kind_known",
        "kind IN ('quarantine', 'reprocessing', 'shelf', 'theatre', 'transit')",
    )
    replace_check(
        "transfer",
        "ck_transfer_state_known",
        "state IN ('agreed', 'asked', 'refused', 'sent', 'settled')",
    )
    op.add_column("transfer", sa.Column("expected_at", UtcDateTime(), nullable=True))
    # SQLite adds a column with its key in one statement only, and a batch would copy the ledger.
    op.execute(
        "ALTER TABLE movement ADD COLUMN transfer_id INTEGER "
        "CONSTRAINT fk_movement_transfer_id REFERENCES transfer (id)"
    )
    op.create_index("ix_movement_transfer_id", "movement", ["transfer_id"])


def downgrade() -> None:
    """Take the change back."""
    op.drop_index("ix_movement_transfer_id", "movement")
    # In one statement, too: the key goes with its column.
    op.execute("ALTER TABLE movement DROP COLUMN transfer_id")
    op.drop_column("transfer", "expected_at")
    replace_check("transfer", "ck_transfer_state_known", "state IN ('agreed', 'asked', 'refused')")
    replace_check(
        "location",
        "ck_location_kind_known",
        "kind IN ('quarantine', 'reprocessing', 'shelf', 'theatre')",
    )
