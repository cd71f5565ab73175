"""the life of instrument sets, and lots, serials and suppliers in the form in which they compare."""

import sqlalchemy as sa
from alembic import op

from service.core.recalls import comparable
from service.storage.migrate import replace_check

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

#: By table: the new column, and what it is the comparable form of.
_FORMS = {
    "item": {"supplier_key": "supplier"},
    "lot": {"lot_key": "lot_number", "serial_key": "serial"},
    "recall": {"supplier_key": "supplier", "lot_key": "lot_number", "serial_key": "serial"},
    "usage_row": {"lot_key": "lot_number"},
}


def upgrade() -> None:
    """Bring the tables forward."""
    op.add_column(
        "hold", sa.Column("is_opened", sa.Boolean(), server_default=sa.false(), nullable=False)
    )
    # Whether a set on a tray was opened was not kept: only a case that waits has certainly not.
    op.execute(
        "UPDATE hold SET is_opened = (1 = 1) WHERE is_set AND role = 'tray' AND case_id NOT IN "
        "(SELECT id FROM surgical_case WHERE status IN ('planned', 'prepared'))"
    )
    for table, forms in _FORMS.items():
        for column in forms:
            op.add_column(
                table, sa.Column(column, sa.String(), server_default=sa.text("''"), nullable=False)
            )
        _fill(table, forms)
    op.create_index("ix_lot_lot_key", "lot", ["lot_key"])
    op.create_index("ix_lot_serial_key", "lot", ["serial_key"])
    replace_check(
        "location",
        "ck_location_kind_known",
        "kind IN ('quarantine', 'reprocessing', 'shelf', 'theatre')",
    )
    replace_check(
        "movement",
        "ck_movement_kind_known",
        "kind IN ('consigned_use', 'count', 'implant', 'loan_in', 'loan_out', 'move', 'pick', "
        "'quarantine', 'receive', 'release', 'reprocess', 'return', 'sterilise', 'waste', "
        "'write_off')",
    )


def _fill(table: str, forms: dict[str, str]) -> None:
    """Work the comparable form of each printed one out, once for all rows that have it."""
    connection = op.get_bind()
    for column, printed in forms.items():
        rows = sa.table(table, sa.column(column), sa.column(printed))
        there, form = rows.c[printed], rows.c[column]
        values = [
            {"printed": text, "form": comparable(text)}
            for text in connection.execute(sa.select(there).distinct()).scalars()
        ]
        if values:
            connection.execute(
                rows.update()
                .where(there == sa.bindparam("printed"))
                .values({form: sa.bindparam("form")}),
                values,
            )


def downgrade() -> None:
    """Take the change back."""
    replace_check(
        "movement",
        "ck_movement_kind_known",
        "kind IN ('consigned_use', 'count', 'implant', 'loan_in', 'loan_out', 'move', 'pick', "
        "'quarantine', 'receive', 'release', 'return', 'waste', 'write_off')",
    )
    replace_check(
        "location", "ck_location_kind_known", "kind IN ('quarantine', 'shelf', 'theatre')"
    )
    op.drop_index("ix_lot_serial_key", "lot")
    op.drop_index("ix_lot_lot_key", "lot")
    for table, forms in _FORMS.items():
        for column in forms:
            op.drop_column(table, column)
    op.drop_column("hold", "is_opened")
