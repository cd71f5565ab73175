"""first tables."""

import sqlalchemy as sa
from alembic import op

from service.storage.columns import UtcDateTime

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

# The ledger is append-only on both databases: a correction is a new line.
_APPEND_ONLY = {
    "sqlite": [
        f"CREATE TRIGGER movement_no_{verb.lower()} BEFORE {verb} ON movement "
        "BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END"
        for verb in ("UPDATE", "DELETE")
    ],
    "postgresql": [
        "CREATE FUNCTION movement_append_only() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RAISE EXCEPTION 'the ledger is append-only'; END $$",
        "CREATE TRIGGER movement_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON movement FOR EACH STATEMENT EXECUTE FUNCTION movement_append_only()",
    ],
}


def upgrade() -> None:
    """Bring the tables forward."""
    op.create_table(
        "construct_template",
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("changed_at", UtcDateTime(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("code", name=op.f("pk_construct_template")),
    )
    op.create_table(
        "guidance_book",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.Column("made_at", UtcDateTime(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_guidance_book")),
    )
    op.create_table(
        "item",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("ref", sa.String(), nullable=False),
        sa.Column("gtin", sa.String(), nullable=True),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("system", sa.String(), nullable=True),
        sa.Column("description", sa.String(), nullable=False),
        sa.Column("supplier", sa.String(), nullable=False),
        sa.Column("length_mm", sa.Float(), nullable=True),
        sa.Column("diameter_mm", sa.Float(), nullable=True),
        sa.Column("angle_deg", sa.Float(), nullable=True),
        sa.Column("side", sa.String(), nullable=True),
        sa.Column("screw_type", sa.String(), nullable=True),
        sa.Column("head_design", sa.String(), nullable=True),
        sa.Column("thread", sa.String(), nullable=True),
        sa.Column("thread_length_mm", sa.Float(), nullable=True),
        sa.Column("holes", sa.Integer(), nullable=True),
        sa.Column("barrel_mm", sa.Float(), nullable=True),
        sa.Column("bow_radius_mm", sa.Float(), nullable=True),
        sa.Column("supplied_sterile", sa.Boolean(), nullable=False),
        sa.Column("reusable", sa.Boolean(), nullable=False),
        sa.Column("pack_quantity", sa.Integer(), nullable=False),
        sa.Column("unit_price_minor", sa.Integer(), nullable=True),
        sa.Column("currency", sa.String(), nullable=True),
        sa.Column("lead_time_days", sa.Integer(), nullable=True),
        sa.Column("emdn_code", sa.String(), nullable=True),
        sa.Column("turnaround_minutes", sa.Integer(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "head_design IS NULL OR head_design IN ('headed', 'headless')",
            name=op.f("ck_item_head_design_known"),
        ),
        sa.CheckConstraint(
            "kind IN ('antirotation_screw', 'ball_tip_guide_wire', 'broken_screw_set', 'buttress_plate', 'cancellous_screw', 'cerclage_cable', 'cerclage_instrument_set', 'cerclage_wire', 'compression_screw', 'cortical_screw', 'distal_locking_screw', 'drill_bit', 'end_cap', 'extraction_set', 'guide_wire', 'helical_blade', 'helical_blade_nail', 'lag_screw', 'nail_instrument_set', 'plate_instrument_set', 'reamer_set', 'screw_instrument_set', 'set_screw', 'side_plate', 'single_lag_screw_nail', 'two_screw_nail', 'washer')",
            name=op.f("ck_item_kind_known"),
        ),
        sa.CheckConstraint(
            "side IS NULL OR side IN ('either', 'left', 'right')", name=op.f("ck_item_side_known")
        ),
        sa.CheckConstraint(
            "thread IS NULL OR thread IN ('fully', 'partly')", name=op.f("ck_item_thread_known")
        ),
        sa.CheckConstraint(
            "angle_deg IS NULL OR angle_deg > 0", name=op.f("ck_item_angle_deg_positive")
        ),
        sa.CheckConstraint(
            "barrel_mm IS NULL OR barrel_mm > 0", name=op.f("ck_item_barrel_mm_positive")
        ),
        sa.CheckConstraint(
            "bow_radius_mm IS NULL OR bow_radius_mm > 0",
            name=op.f("ck_item_bow_radius_mm_positive"),
        ),
        sa.CheckConstraint(
            "diameter_mm IS NULL OR diameter_mm > 0", name=op.f("ck_item_diameter_mm_positive")
        ),
        sa.CheckConstraint("gtin IS NULL OR length(gtin) = 14", name=op.f("ck_item_gtin_14")),
        sa.CheckConstraint("holes IS NULL OR holes > 0", name=op.f("ck_item_holes_positive")),
        sa.CheckConstraint(
            "lead_time_days IS NULL OR lead_time_days >= 0", name=op.f("ck_item_lead_not_below_0")
        ),
        sa.CheckConstraint(
            "length_mm IS NULL OR length_mm > 0", name=op.f("ck_item_length_mm_positive")
        ),
        sa.CheckConstraint(
            "pack_quantity IS NULL OR pack_quantity > 0",
            name=op.f("ck_item_pack_quantity_positive"),
        ),
        sa.CheckConstraint(
            "thread_length_mm IS NULL OR thread_length_mm > 0",
            name=op.f("ck_item_thread_length_mm_positive"),
        ),
        sa.CheckConstraint(
            "turnaround_minutes IS NULL OR turnaround_minutes > 0",
            name=op.f("ck_item_turnaround_minutes_positive"),
        ),
        sa.CheckConstraint(
            "unit_price_minor IS NULL OR unit_price_minor >= 0",
            name=op.f("ck_item_price_not_below_0"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_item")),
        sa.UniqueConstraint("gtin", name=op.f("uq_item_gtin")),
        sa.UniqueConstraint("ref", name=op.f("uq_item_ref")),
    )
    with op.batch_alter_table("item", schema=None) as batch_op:
        batch_op.create_index("ix_item_kind_system", ["kind", "system"], unique=False)

    op.create_table(
        "site",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("timezone", sa.String(), nullable=False),
        sa.Column("is_demo", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_site")),
        sa.UniqueConstraint("code", name=op.f("uq_site_code")),
    )
    op.create_table(
        "sizing_default",
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("value", sa.Float(), nullable=False),
        sa.Column("unit", sa.String(), nullable=False),
        sa.Column("source", sa.String(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_sizing_default")),
    )
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
    op.create_table(
        "location",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("store", sa.String(), nullable=False),
        sa.Column("shelf", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.CheckConstraint(
            "kind IN ('quarantine', 'shelf', 'theatre')", name=op.f("ck_location_kind_known")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_location_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_location")),
        sa.UniqueConstraint(
            "site_id", "store", "shelf", name=op.f("uq_location_site_id_store_shelf")
        ),
    )
    op.create_table(
        "lot",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("item_id", sa.Integer(), nullable=False),
        sa.Column("lot_number", sa.String(), nullable=False),
        sa.Column("serial", sa.String(), nullable=False),
        sa.Column("use_by", sa.Date(), nullable=True),
        sa.Column("ownership", sa.String(), nullable=False),
        sa.Column("return_by", sa.Date(), nullable=True),
        sa.Column("sterility", sa.String(), nullable=False),
        sa.CheckConstraint("lot_number <> '' OR serial <> ''", name=op.f("ck_lot_lot_or_serial")),
        sa.CheckConstraint(
            "ownership <> 'loan' OR return_by IS NOT NULL", name=op.f("ck_lot_loan_has_return")
        ),
        sa.CheckConstraint(
            "ownership IN ('consigned', 'loan', 'owned')", name=op.f("ck_lot_ownership_known")
        ),
        sa.CheckConstraint(
            "sterility IN ('sterile', 'unsterile')", name=op.f("ck_lot_sterility_known")
        ),
        sa.ForeignKeyConstraint(["item_id"], ["item.id"], name=op.f("fk_lot_item_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lot")),
        sa.UniqueConstraint(
            "item_id",
            "lot_number",
            "serial",
            "ownership",
            name=op.f("uq_lot_item_id_lot_number_serial_ownership"),
        ),
    )
    op.create_table(
        "operating_list",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("list_date", sa.Date(), nullable=False),
        sa.Column("theatre", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_operating_list_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_operating_list")),
        sa.UniqueConstraint(
            "site_id",
            "list_date",
            "theatre",
            name=op.f("uq_operating_list_site_id_list_date_theatre"),
        ),
    )
    with op.batch_alter_table("operating_list", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_operating_list_list_date"), ["list_date"], unique=False
        )

    op.create_table(
        "usage_row",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("item_id", sa.Integer(), nullable=False),
        sa.Column("used_on", sa.Date(), nullable=False),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("lot_number", sa.String(), nullable=False),
        sa.Column("case_reference", sa.String(), nullable=False),
        sa.Column("outcome", sa.String(), nullable=False),
        sa.CheckConstraint(
            "outcome IN ('implanted', 'wasted')", name=op.f("ck_usage_row_outcome_known")
        ),
        sa.CheckConstraint("quantity > 0", name=op.f("ck_usage_row_quantity_positive")),
        sa.ForeignKeyConstraint(["item_id"], ["item.id"], name=op.f("fk_usage_row_item_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_usage_row")),
        sa.UniqueConstraint(
            "item_id",
            "used_on",
            "lot_number",
            "case_reference",
            "outcome",
            name=op.f("uq_usage_row_item_id_used_on_lot_number_case_reference_outcome"),
        ),
    )
    with op.batch_alter_table("usage_row", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_usage_row_item_id"), ["item_id"], unique=False)

    op.create_table(
        "balance",
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("location_id", sa.Integer(), nullable=False),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("held", sa.Integer(), nullable=False),
        sa.CheckConstraint("held <= quantity", name=op.f("ck_balance_held_within_quantity")),
        sa.CheckConstraint("held >= 0", name=op.f("ck_balance_held_not_below_0")),
        sa.CheckConstraint("quantity >= 0", name=op.f("ck_balance_quantity_not_below_0")),
        sa.ForeignKeyConstraint(
            ["location_id"], ["location.id"], name=op.f("fk_balance_location_id")
        ),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_balance_lot_id")),
        sa.PrimaryKeyConstraint("lot_id", "location_id", name=op.f("pk_balance")),
    )
    with op.batch_alter_table("balance", schema=None) as batch_op:
        batch_op.create_index(
            "ix_balance_free",
            ["lot_id"],
            unique=False,
            sqlite_where=sa.text("quantity > held"),
            postgresql_where=sa.text("quantity > held"),
        )

    op.create_table(
        "surgical_case",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("list_id", sa.Integer(), nullable=False),
        sa.Column("reference", sa.String(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("starts_at", UtcDateTime(), nullable=False),
        sa.Column("ends_at", UtcDateTime(), nullable=False),
        sa.Column("side", sa.String(), nullable=False),
        sa.Column("sex", sa.String(), nullable=False),
        sa.Column("fracture_class", sa.String(), nullable=True),
        sa.Column("class_year", sa.Integer(), nullable=True),
        sa.Column("findings", sa.JSON(), nullable=False),
        sa.Column("measurements", sa.JSON(), nullable=False),
        sa.Column("status", sa.String(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint("sex IN ('F', 'M', 'unknown')", name=op.f("ck_surgical_case_sex_known")),
        sa.CheckConstraint("side IN ('left', 'right')", name=op.f("ck_surgical_case_side_known")),
        sa.CheckConstraint(
            "status IN ('cancelled', 'closed', 'in_theatre', 'planned', 'prepared')",
            name=op.f("ck_surgical_case_status_known"),
        ),
        sa.CheckConstraint(
            "(fracture_class IS NULL) = (class_year IS NULL)",
            name=op.f("ck_surgical_case_class_carries_its_year"),
        ),
        sa.CheckConstraint("ends_at > starts_at", name=op.f("ck_surgical_case_ends_after_start")),
        sa.CheckConstraint("position > 0", name=op.f("ck_surgical_case_position_positive")),
        sa.ForeignKeyConstraint(
            ["list_id"], ["operating_list.id"], name=op.f("fk_surgical_case_list_id")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_surgical_case_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_surgical_case")),
        sa.UniqueConstraint(
            "site_id", "reference", name=op.f("uq_surgical_case_site_id_reference")
        ),
    )
    with op.batch_alter_table("surgical_case", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_surgical_case_list_id"), ["list_id"], unique=False)

    op.create_table(
        "movement",
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("at", UtcDateTime(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("from_location_id", sa.Integer(), nullable=True),
        sa.Column("to_location_id", sa.Integer(), nullable=True),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("case_id", sa.Integer(), nullable=True),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
        sa.Column("corrects_seq", sa.Integer(), nullable=True),
        sa.CheckConstraint(
            "kind IN ('consigned_use', 'count', 'implant', 'loan_in', 'loan_out', 'move', 'pick', 'quarantine', 'receive', 'release', 'return', 'waste', 'write_off')",
            name=op.f("ck_movement_kind_known"),
        ),
        sa.CheckConstraint(
            "from_location_id <> to_location_id", name=op.f("ck_movement_moves_elsewhere")
        ),
        sa.CheckConstraint(
            "from_location_id IS NOT NULL OR to_location_id IS NOT NULL",
            name=op.f("ck_movement_moves_somewhere"),
        ),
        sa.CheckConstraint("quantity > 0", name=op.f("ck_movement_quantity_positive")),
        sa.ForeignKeyConstraint(
            ["case_id"], ["surgical_case.id"], name=op.f("fk_movement_case_id")
        ),
        sa.ForeignKeyConstraint(
            ["corrects_seq"], ["movement.seq"], name=op.f("fk_movement_corrects_seq")
        ),
        sa.ForeignKeyConstraint(
            ["from_location_id"], ["location.id"], name=op.f("fk_movement_from_location_id")
        ),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_movement_lot_id")),
        sa.ForeignKeyConstraint(
            ["to_location_id"], ["location.id"], name=op.f("fk_movement_to_location_id")
        ),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_movement")),
        sa.UniqueConstraint("corrects_seq", name=op.f("uq_movement_corrects_seq")),
        sqlite_autoincrement=True,
    )
    with op.batch_alter_table("movement", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_movement_case_id"), ["case_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_movement_lot_id"), ["lot_id"], unique=False)

    op.create_table(
        "plan",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("case_id", sa.Integer(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.Column("made_at", UtcDateTime(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
        sa.CheckConstraint("revision > 0", name=op.f("ck_plan_revision_positive")),
        sa.ForeignKeyConstraint(["case_id"], ["surgical_case.id"], name=op.f("fk_plan_case_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_plan")),
        sa.UniqueConstraint("case_id", "revision", name=op.f("uq_plan_case_id_revision")),
    )
    with op.batch_alter_table("plan", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_plan_case_id"), ["case_id"], unique=False)
    for statement in _APPEND_ONLY[op.get_bind().dialect.name]:
        op.execute(statement)


def downgrade() -> None:
    """Take the change back."""
    if op.get_bind().dialect.name == "postgresql":
        op.execute("DROP TRIGGER movement_append_only ON movement")
        op.execute("DROP FUNCTION movement_append_only()")
    with op.batch_alter_table("plan", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_plan_case_id"))

    op.drop_table("plan")
    with op.batch_alter_table("movement", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_movement_lot_id"))
        batch_op.drop_index(batch_op.f("ix_movement_case_id"))

    op.drop_table("movement")
    with op.batch_alter_table("surgical_case", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_surgical_case_list_id"))

    op.drop_table("surgical_case")
    with op.batch_alter_table("balance", schema=None) as batch_op:
        batch_op.drop_index(
            "ix_balance_free",
            sqlite_where=sa.text("quantity > held"),
            postgresql_where=sa.text("quantity > held"),
        )

    op.drop_table("balance")
    with op.batch_alter_table("usage_row", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_usage_row_item_id"))

    op.drop_table("usage_row")
    with op.batch_alter_table("operating_list", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_operating_list_list_date"))

    op.drop_table("operating_list")
    op.drop_table("lot")
    op.drop_table("location")
    op.drop_table("delivery")
    op.drop_table("sizing_default")
    op.drop_table("site")
    with op.batch_alter_table("item", schema=None) as batch_op:
        batch_op.drop_index("ix_item_kind_system")

    op.drop_table("item")
    op.drop_table("guidance_book")
    op.drop_table("construct_template")
