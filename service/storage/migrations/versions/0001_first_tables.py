"""first tables; constraints are named by the convention in ``service/storage/tables/base.py``."""

import sqlalchemy as sa
from alembic import op

from service.storage.database import UtcDateTime

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

# The ledger and the audit trail are append-only on both databases: a correction is a new line.
_APPEND_ONLY = (
    ("movement", "movement", "the ledger is append-only"),
    ("audit_line", "audit", "the audit trail is append-only"),
)


def upgrade() -> None:
    """Bring the tables forward."""
    op.create_table(
        "construct_template",
        sa.Column("code", sa.String(), primary_key=True),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("changed_at", UtcDateTime(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
    )
    op.create_table(
        "done_request",
        sa.Column("key", sa.String(), primary_key=True),
        sa.Column("fingerprint", sa.String(), nullable=False),
        sa.Column("body", sa.String(), nullable=False),
        sa.Column("at", UtcDateTime(), nullable=False),
    )
    op.create_table(
        "guidance_book",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.Column("made_at", UtcDateTime(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
    )
    op.create_table(
        "item",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("ref", sa.String(), nullable=False, unique=True),
        sa.Column("gtin", sa.String(), unique=True),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("system", sa.String()),
        sa.Column("description", sa.String(), nullable=False),
        sa.Column("supplier", sa.String(), nullable=False),
        sa.Column("length_mm", sa.Float()),
        sa.Column("diameter_mm", sa.Float()),
        sa.Column("angle_deg", sa.Float()),
        sa.Column("side", sa.String()),
        sa.Column("screw_type", sa.String()),
        sa.Column("head_design", sa.String()),
        sa.Column("thread", sa.String()),
        sa.Column("thread_length_mm", sa.Float()),
        sa.Column("holes", sa.Integer()),
        sa.Column("barrel_mm", sa.Float()),
        sa.Column("bow_radius_mm", sa.Float()),
        sa.Column("supplied_sterile", sa.Boolean(), nullable=False),
        sa.Column("reusable", sa.Boolean(), nullable=False),
        sa.Column("pack_quantity", sa.Integer(), nullable=False),
        sa.Column("unit_price_minor", sa.Integer()),
        sa.Column("currency", sa.String()),
        sa.Column("lead_time_days", sa.Integer()),
        sa.Column("emdn_code", sa.String()),
        sa.Column("turnaround_minutes", sa.Integer()),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint("angle_deg IS NULL OR angle_deg > 0", name="angle_deg_positive"),
        sa.CheckConstraint("barrel_mm IS NULL OR barrel_mm > 0", name="barrel_mm_positive"),
        sa.CheckConstraint(
            "bow_radius_mm IS NULL OR bow_radius_mm > 0", name="bow_radius_mm_positive"
        ),
        sa.CheckConstraint("diameter_mm IS NULL OR diameter_mm > 0", name="diameter_mm_positive"),
        sa.CheckConstraint("gtin IS NULL OR length(gtin) = 14", name="gtin_14"),
        sa.CheckConstraint(
            "head_design IS NULL OR head_design IN ('headed', 'headless')", name="head_design_known"
        ),
        sa.CheckConstraint("holes IS NULL OR holes > 0", name="holes_positive"),
        sa.CheckConstraint(
            "kind IN ('antirotation_screw', 'ball_tip_guide_wire', 'broken_screw_set', 'buttress_plate', 'cancellous_screw', 'cerclage_cable', 'cerclage_instrument_set', 'cerclage_wire', 'compression_screw', 'cortical_screw', 'distal_locking_screw', 'drill_bit', 'end_cap', 'extraction_set', 'guide_wire', 'helical_blade', 'helical_blade_nail', 'lag_screw', 'nail_instrument_set', 'plate_instrument_set', 'reamer_set', 'screw_instrument_set', 'set_screw', 'side_plate', 'single_lag_screw_nail', 'two_screw_nail', 'washer')",
            name="kind_known",
        ),
        sa.CheckConstraint(
            "lead_time_days IS NULL OR lead_time_days >= 0", name="lead_not_below_0"
        ),
        sa.CheckConstraint("length_mm IS NULL OR length_mm > 0", name="length_mm_positive"),
        sa.CheckConstraint(
            "pack_quantity IS NULL OR pack_quantity > 0", name="pack_quantity_positive"
        ),
        sa.CheckConstraint(
            "unit_price_minor IS NULL OR unit_price_minor >= 0", name="price_not_below_0"
        ),
        sa.CheckConstraint(
            "side IS NULL OR side IN ('either', 'left', 'right')", name="side_known"
        ),
        sa.CheckConstraint("thread IS NULL OR thread IN ('fully', 'partly')", name="thread_known"),
        sa.CheckConstraint(
            "thread_length_mm IS NULL OR thread_length_mm > 0", name="thread_length_mm_positive"
        ),
        sa.CheckConstraint(
            "turnaround_minutes IS NULL OR turnaround_minutes > 0",
            name="turnaround_minutes_positive",
        ),
        sa.Index("ix_item_kind_system", "kind", "system"),
    )
    op.create_table(
        "site",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("code", sa.String(), nullable=False, unique=True),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("timezone", sa.String(), nullable=False),
        sa.Column("is_demo", sa.Boolean(), nullable=False),
    )
    op.create_table(
        "sizing_default",
        sa.Column("key", sa.String(), primary_key=True),
        sa.Column("value", sa.Float(), nullable=False),
        sa.Column("unit", sa.String(), nullable=False),
        sa.Column("source", sa.String(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
    )
    op.create_table(
        "supplier",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("name", sa.String(), nullable=False, unique=True),
        sa.Column("minimum_order_minor", sa.Integer(), nullable=False),
        sa.Column("currency", sa.String(), nullable=False),
        sa.Column("works_on", sa.String(), nullable=False),
        sa.Column("cut_off_minute", sa.Integer()),
        sa.Column("endpoint_id", sa.String(), nullable=False),
        sa.Column("endpoint_scheme", sa.String(), nullable=False),
        sa.Column("country", sa.String(), nullable=False),
        sa.Column("is_loan_lender", sa.Boolean(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "(endpoint_id = '') = (endpoint_scheme = '')", name="endpoint_with_its_scheme"
        ),
        sa.CheckConstraint("minimum_order_minor >= 0", name="minimum_not_below_0"),
        sa.CheckConstraint("length(works_on) = 7", name="works_on_seven_days"),
    )
    op.create_table(
        "audit_line",
        sa.Column("seq", sa.Integer(), primary_key=True),
        sa.Column("at", UtcDateTime(), nullable=False),
        sa.Column("site_id", sa.Integer(), sa.ForeignKey("site.id")),
        sa.Column("actor", sa.String(), nullable=False),
        sa.Column("operation", sa.String(), nullable=False),
        sa.Column("subject", sa.String(), nullable=False),
        sa.Column("address", sa.String(), nullable=False),
        sa.Column("outcome", sa.String(), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("previous", sa.String(), nullable=False, unique=True),
        sa.Column("digest", sa.String(), nullable=False, index=True),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "buyer",
        sa.Column("site_id", sa.Integer(), sa.ForeignKey("site.id"), primary_key=True),
        sa.Column("legal_name", sa.String(), nullable=False),
        sa.Column("endpoint_id", sa.String(), nullable=False),
        sa.Column("endpoint_scheme", sa.String(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "(endpoint_id = '') = (endpoint_scheme = '')", name="endpoint_with_its_scheme"
        ),
    )
    op.create_table(
        "holiday",
        sa.Column("site_id", sa.Integer(), sa.ForeignKey("site.id"), primary_key=True),
        sa.Column("day", sa.Date(), primary_key=True),
        sa.Column("name", sa.String(), nullable=False),
    )
    op.create_table(
        "item_code",
        sa.Column("code", sa.String(), primary_key=True),
        sa.Column("item_id", sa.Integer(), sa.ForeignKey("item.id"), nullable=False, index=True),
        sa.Column("learned_at", UtcDateTime(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
    )
    op.create_table(
        "location",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("site_id", sa.Integer(), sa.ForeignKey("site.id"), nullable=False),
        sa.Column("store", sa.String(), nullable=False),
        sa.Column("shelf", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.CheckConstraint("kind IN ('quarantine', 'shelf', 'theatre')", name="kind_known"),
        sa.UniqueConstraint("site_id", "store", "shelf"),
    )
    op.create_table(
        "lot",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("item_id", sa.Integer(), sa.ForeignKey("item.id"), nullable=False),
        sa.Column("lot_number", sa.String(), nullable=False),
        sa.Column("serial", sa.String(), nullable=False),
        sa.Column("use_by", sa.Date()),
        sa.Column("ownership", sa.String(), nullable=False),
        sa.Column("return_by", sa.Date()),
        sa.Column("sterility", sa.String(), nullable=False),
        sa.CheckConstraint("ownership <> 'loan' OR return_by IS NOT NULL", name="loan_has_return"),
        sa.CheckConstraint("lot_number <> '' OR serial <> ''", name="lot_or_serial"),
        sa.CheckConstraint("ownership IN ('consigned', 'loan', 'owned')", name="ownership_known"),
        sa.CheckConstraint("sterility IN ('sterile', 'unsterile')", name="sterility_known"),
        sa.UniqueConstraint("item_id", "lot_number", "serial", "ownership"),
    )
    op.create_table(
        "operating_list",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("site_id", sa.Integer(), sa.ForeignKey("site.id"), nullable=False),
        sa.Column("list_date", sa.Date(), nullable=False, index=True),
        sa.Column("theatre", sa.String(), nullable=False),
        sa.UniqueConstraint("site_id", "list_date", "theatre"),
    )
    op.create_table(
        "par_level",
        sa.Column("site_id", sa.Integer(), sa.ForeignKey("site.id"), primary_key=True),
        sa.Column("item_id", sa.Integer(), sa.ForeignKey("item.id"), primary_key=True),
        sa.Column("level", sa.Integer(), nullable=False),
        sa.Column("set_at", UtcDateTime(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
        sa.Column("why", sa.String(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint("level >= 0", name="level_not_below_0"),
    )
    op.create_table(
        "par_proposal",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("site_id", sa.Integer(), sa.ForeignKey("site.id"), nullable=False, index=True),
        sa.Column("made_at", UtcDateTime(), nullable=False),
        sa.Column("made_by", sa.String(), nullable=False),
        sa.Column("asked", sa.JSON(), nullable=False),
        sa.Column("answer", sa.JSON(), nullable=False),
        sa.Column("closed_at", UtcDateTime()),
        sa.Column("closed_by", sa.String(), nullable=False),
    )
    op.create_table(
        "person",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("site_id", sa.Integer(), sa.ForeignKey("site.id"), nullable=False),
        sa.Column("sign_in", sa.String(), nullable=False, unique=True),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("roles", sa.JSON(), nullable=False),
        sa.Column("password_hash", sa.String(), nullable=False),
        sa.Column("pin_hash", sa.String(), nullable=False),
        sa.Column("is_active", sa.Boolean(), nullable=False),
        sa.Column("is_demo", sa.Boolean(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
    )
    op.create_table(
        "recall",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("notice", sa.String(), nullable=False, unique=True),
        sa.Column("item_id", sa.Integer(), sa.ForeignKey("item.id")),
        sa.Column("supplier", sa.String(), nullable=False),
        sa.Column("lot_number", sa.String(), nullable=False),
        sa.Column("serial", sa.String(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("at", UtcDateTime(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
        sa.Column("lifted_at", UtcDateTime()),
        sa.CheckConstraint(
            "item_id IS NOT NULL OR supplier <> '' OR lot_number <> '' OR serial <> ''",
            name="recalls_something",
        ),
    )
    op.create_table(
        "supply_order",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("site_id", sa.Integer(), sa.ForeignKey("site.id"), nullable=False),
        sa.Column("reference", sa.String(), nullable=False),
        sa.Column("supplier", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("ownership", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("currency", sa.String()),
        sa.Column("due_at", UtcDateTime()),
        sa.Column("usable_from", UtcDateTime()),
        sa.Column("return_by", sa.Date()),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("wanted_for", sa.String(), nullable=False),
        sa.Column("made_at", UtcDateTime(), nullable=False),
        sa.Column("made_by", sa.String(), nullable=False),
        sa.Column("approved_at", UtcDateTime()),
        sa.Column("approved_by", sa.String(), nullable=False),
        sa.Column("sent_at", UtcDateTime()),
        sa.Column("sent_by", sa.String(), nullable=False),
        sa.Column("closed_at", UtcDateTime()),
        sa.Column("closed_by", sa.String(), nullable=False),
        sa.Column("closed_why", sa.String(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint("(due_at IS NULL) = (usable_from IS NULL)", name="due_and_usable_from"),
        sa.CheckConstraint(
            "kind IN ('bill_only', 'call_off', 'loan', 'purchase')", name="kind_known"
        ),
        sa.CheckConstraint(
            "ownership <> 'loan' OR return_by IS NOT NULL OR state IN ('draft', 'cancelled')",
            name="loan_has_return",
        ),
        sa.CheckConstraint("ownership IN ('consigned', 'loan', 'owned')", name="ownership_known"),
        sa.CheckConstraint(
            "state <> 'sent' OR due_at IS NOT NULL OR kind = 'bill_only'", name="sent_has_due"
        ),
        sa.CheckConstraint(
            "state IN ('approved', 'cancelled', 'draft', 'received', 'sent')", name="state_known"
        ),
        sa.CheckConstraint("usable_from >= due_at", name="usable_after_due"),
        sa.UniqueConstraint("site_id", "reference"),
    )
    op.create_table(
        "usage_row",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("item_id", sa.Integer(), sa.ForeignKey("item.id"), nullable=False, index=True),
        sa.Column("used_on", sa.Date(), nullable=False),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("lot_number", sa.String(), nullable=False),
        sa.Column("case_reference", sa.String(), nullable=False),
        sa.Column("outcome", sa.String(), nullable=False),
        sa.CheckConstraint("outcome IN ('implanted', 'wasted')", name="outcome_known"),
        sa.CheckConstraint("quantity > 0", name="quantity_positive"),
        sa.UniqueConstraint("item_id", "used_on", "lot_number", "case_reference", "outcome"),
    )
    op.create_table(
        "api_token",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("token_hash", sa.String(), nullable=False, unique=True),
        sa.Column(
            "person_id", sa.Integer(), sa.ForeignKey("person.id"), nullable=False, index=True
        ),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("scopes", sa.JSON(), nullable=False),
        sa.Column("made_at", UtcDateTime(), nullable=False),
        sa.Column("ends_at", UtcDateTime(), nullable=False),
        sa.Column("revoked_at", UtcDateTime()),
    )
    op.create_table(
        "balance",
        sa.Column("lot_id", sa.Integer(), sa.ForeignKey("lot.id"), primary_key=True),
        sa.Column("location_id", sa.Integer(), sa.ForeignKey("location.id"), primary_key=True),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("held", sa.Integer(), nullable=False),
        sa.CheckConstraint("held >= 0", name="held_not_below_0"),
        sa.CheckConstraint("held <= quantity", name="held_within_quantity"),
        sa.CheckConstraint("quantity >= 0", name="quantity_not_below_0"),
        sa.Index(
            "ix_balance_free",
            "lot_id",
            sqlite_where=sa.text("quantity > held"),
            postgresql_where=sa.text("quantity > held"),
        ),
    )
    op.create_table(
        "order_line",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column(
            "order_id", sa.Integer(), sa.ForeignKey("supply_order.id"), nullable=False, index=True
        ),
        sa.Column("item_id", sa.Integer(), sa.ForeignKey("item.id"), nullable=False, index=True),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("wanted", sa.Integer(), nullable=False),
        sa.Column("received", sa.Integer(), nullable=False),
        sa.Column("let_go", sa.Integer(), nullable=False),
        sa.Column("unit_price_minor", sa.Integer()),
        sa.Column("due_at", UtcDateTime()),
        sa.Column("usable_from", UtcDateTime()),
        sa.Column("why", sa.JSON(), nullable=False),
        sa.CheckConstraint("(due_at IS NULL) = (usable_from IS NULL)", name="due_and_usable_from"),
        sa.CheckConstraint("let_go >= 0", name="let_go_not_below_0"),
        sa.CheckConstraint("unit_price_minor >= 0", name="price_not_below_0"),
        sa.CheckConstraint("quantity > 0", name="quantity_positive"),
        sa.CheckConstraint("received >= 0", name="received_not_below_0"),
        sa.CheckConstraint("usable_from >= due_at", name="usable_after_due"),
        sa.CheckConstraint("wanted > 0", name="wanted_positive"),
        sa.UniqueConstraint("order_id", "item_id"),
    )
    op.create_table(
        "par_proposal_line",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("proposal_id", sa.Integer(), sa.ForeignKey("par_proposal.id"), nullable=False),
        sa.Column("item_id", sa.Integer(), sa.ForeignKey("item.id"), nullable=False),
        sa.Column("today", sa.Integer()),
        sa.Column("proposed", sa.Integer(), nullable=False),
        sa.Column("why", sa.JSON(), nullable=False),
        sa.Column("decision", sa.String(), nullable=False),
        sa.Column("chosen", sa.Integer()),
        sa.Column("decided_at", UtcDateTime()),
        sa.Column("decided_by", sa.String(), nullable=False),
        sa.Column("decided_why", sa.String(), nullable=False),
        sa.CheckConstraint("chosen >= 0", name="chosen_not_below_0"),
        sa.CheckConstraint(
            "decision IN ('accepted', 'changed', 'open', 'refused')", name="decision_known"
        ),
        sa.CheckConstraint("proposed >= 0", name="proposed_not_below_0"),
        sa.UniqueConstraint("proposal_id", "item_id"),
    )
    op.create_table(
        "sign_in",
        sa.Column("token_hash", sa.String(), primary_key=True),
        sa.Column(
            "person_id", sa.Integer(), sa.ForeignKey("person.id"), nullable=False, index=True
        ),
        sa.Column("form_token", sa.String(), nullable=False),
        sa.Column("started_at", UtcDateTime(), nullable=False),
        sa.Column("seen_at", UtcDateTime(), nullable=False),
        sa.Column("ends_at", UtcDateTime(), nullable=False),
    )
    op.create_table(
        "sterilisation",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("lot_id", sa.Integer(), sa.ForeignKey("lot.id"), nullable=False, index=True),
        sa.Column("site_id", sa.Integer(), sa.ForeignKey("site.id"), nullable=False),
        sa.Column("use_by", sa.Date()),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("at", UtcDateTime(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
    )
    op.create_table(
        "surgical_case",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("site_id", sa.Integer(), sa.ForeignKey("site.id"), nullable=False),
        sa.Column(
            "list_id", sa.Integer(), sa.ForeignKey("operating_list.id"), nullable=False, index=True
        ),
        sa.Column("reference", sa.String(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("starts_at", UtcDateTime(), nullable=False),
        sa.Column("ends_at", UtcDateTime(), nullable=False),
        sa.Column("side", sa.String(), nullable=False),
        sa.Column("sex", sa.String(), nullable=False),
        sa.Column("fracture_class", sa.String()),
        sa.Column("class_year", sa.Integer()),
        sa.Column("findings", sa.JSON(), nullable=False),
        sa.Column("measurements", sa.JSON(), nullable=False),
        sa.Column("status", sa.String(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "(fracture_class IS NULL) = (class_year IS NULL)", name="class_carries_its_year"
        ),
        sa.CheckConstraint("ends_at > starts_at", name="ends_after_start"),
        sa.CheckConstraint("position > 0", name="position_positive"),
        sa.CheckConstraint("sex IN ('F', 'M', 'unknown')", name="sex_known"),
        sa.CheckConstraint("side IN ('left', 'right')", name="side_known"),
        sa.CheckConstraint(
            "status IN ('cancelled', 'closed', 'in_theatre', 'planned', 'prepared')",
            name="status_known",
        ),
        sa.UniqueConstraint("site_id", "reference"),
    )
    op.create_table(
        "transfer",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("from_site_id", sa.Integer(), sa.ForeignKey("site.id"), nullable=False),
        sa.Column("to_site_id", sa.Integer(), sa.ForeignKey("site.id"), nullable=False),
        sa.Column("item_id", sa.Integer(), sa.ForeignKey("item.id"), nullable=False),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("to_location_id", sa.Integer(), sa.ForeignKey("location.id"), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("asked_at", UtcDateTime(), nullable=False),
        sa.Column("asked_by", sa.String(), nullable=False),
        sa.Column("answered_at", UtcDateTime()),
        sa.Column("answered_by", sa.String(), nullable=False),
        sa.CheckConstraint("from_site_id <> to_site_id", name="between_two_sites"),
        sa.CheckConstraint("quantity > 0", name="quantity_positive"),
        sa.CheckConstraint("state IN ('agreed', 'asked', 'refused')", name="state_known"),
    )
    op.create_table(
        "case_event",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column(
            "case_id", sa.Integer(), sa.ForeignKey("surgical_case.id"), nullable=False, index=True
        ),
        sa.Column("at", UtcDateTime(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("says", sa.String(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
        sa.Column("seen_at", UtcDateTime()),
    )
    op.create_table(
        "case_pack",
        sa.Column("case_id", sa.Integer(), sa.ForeignKey("surgical_case.id"), primary_key=True),
        sa.Column("lot_id", sa.Integer(), sa.ForeignKey("lot.id"), primary_key=True),
        sa.Column("home_location_id", sa.Integer(), sa.ForeignKey("location.id"), primary_key=True),
        sa.Column("picked", sa.Integer(), nullable=False),
        sa.Column("returned", sa.Integer(), nullable=False),
        sa.Column("implanted", sa.Integer(), nullable=False),
        sa.Column("wasted", sa.Integer(), nullable=False),
        sa.CheckConstraint("returned + implanted + wasted <= picked", name="no_more_than_picked"),
        sa.CheckConstraint("returned >= 0 AND implanted >= 0 AND wasted >= 0", name="none_below_0"),
        sa.CheckConstraint("picked > 0", name="picked_positive"),
    )
    op.create_table(
        "confirmation",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column(
            "case_id", sa.Integer(), sa.ForeignKey("surgical_case.id"), nullable=False, index=True
        ),
        sa.Column("plan_revision", sa.Integer(), nullable=False),
        sa.Column("at", UtcDateTime(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
        sa.Column("checked", sa.JSON(), nullable=False),
        sa.Column("reopened_at", UtcDateTime()),
        sa.Column("reopened_why", sa.String(), nullable=False),
    )
    op.create_table(
        "movement",
        sa.Column("seq", sa.Integer(), primary_key=True),
        sa.Column("at", UtcDateTime(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("lot_id", sa.Integer(), sa.ForeignKey("lot.id"), nullable=False, index=True),
        sa.Column("from_location_id", sa.Integer(), sa.ForeignKey("location.id")),
        sa.Column("to_location_id", sa.Integer(), sa.ForeignKey("location.id")),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("case_id", sa.Integer(), sa.ForeignKey("surgical_case.id"), index=True),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
        sa.Column("corrects_seq", sa.Integer(), sa.ForeignKey("movement.seq"), unique=True),
        sa.CheckConstraint(
            "kind IN ('consigned_use', 'count', 'implant', 'loan_in', 'loan_out', 'move', 'pick', 'quarantine', 'receive', 'release', 'return', 'waste', 'write_off')",
            name="kind_known",
        ),
        sa.CheckConstraint("from_location_id <> to_location_id", name="moves_elsewhere"),
        sa.CheckConstraint(
            "from_location_id IS NOT NULL OR to_location_id IS NOT NULL", name="moves_somewhere"
        ),
        sa.CheckConstraint("quantity > 0", name="quantity_positive"),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "plan",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column(
            "case_id", sa.Integer(), sa.ForeignKey("surgical_case.id"), nullable=False, index=True
        ),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.Column("made_at", UtcDateTime(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
        sa.CheckConstraint("revision > 0", name="revision_positive"),
        sa.UniqueConstraint("case_id", "revision"),
    )
    op.create_table(
        "billed_use",
        sa.Column(
            "movement_seq",
            sa.Integer(),
            sa.ForeignKey("movement.seq"),
            primary_key=True,
            autoincrement=False,
        ),
        sa.Column(
            "line_id", sa.Integer(), sa.ForeignKey("order_line.id"), nullable=False, index=True
        ),
    )
    op.create_table(
        "hold",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("case_id", sa.Integer(), sa.ForeignKey("surgical_case.id"), nullable=False),
        sa.Column("plan_id", sa.Integer(), sa.ForeignKey("plan.id")),
        sa.Column("lot_id", sa.Integer(), sa.ForeignKey("lot.id"), nullable=False),
        sa.Column("location_id", sa.Integer(), sa.ForeignKey("location.id"), nullable=False),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("list_date", sa.Date(), nullable=False),
        sa.Column("list_id", sa.Integer(), sa.ForeignKey("operating_list.id"), nullable=False),
        sa.Column("stays", sa.Boolean(), nullable=False),
        sa.Column("is_set", sa.Boolean(), nullable=False),
        sa.Column("from_at", UtcDateTime(), nullable=False),
        sa.Column("until_at", UtcDateTime(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("share_group", sa.String()),
        sa.Column("made_at", UtcDateTime(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
        sa.Column("released_at", UtcDateTime()),
        sa.Column("released_why", sa.String(), nullable=False),
        sa.CheckConstraint("quantity > 0", name="quantity_positive"),
        sa.CheckConstraint("until_at > from_at", name="until_after_from"),
        sa.Index(
            "ix_hold_active_case",
            "case_id",
            sqlite_where=sa.text("released_at IS NULL"),
            postgresql_where=sa.text("released_at IS NULL"),
        ),
        sa.Index(
            "ix_hold_active_lot",
            "lot_id",
            "location_id",
            sqlite_where=sa.text("released_at IS NULL"),
            postgresql_where=sa.text("released_at IS NULL"),
        ),
    )
    op.create_table(
        "loan_return",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column(
            "line_id", sa.Integer(), sa.ForeignKey("order_line.id"), nullable=False, index=True
        ),
        sa.Column(
            "movement_seq", sa.Integer(), sa.ForeignKey("movement.seq"), nullable=False, unique=True
        ),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("missing", sa.Integer(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("at", UtcDateTime(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
        sa.CheckConstraint("quantity >= 0 AND missing >= 0", name="none_below_0"),
        sa.CheckConstraint("quantity + missing > 0", name="something"),
    )
    op.create_table(
        "order_receipt",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column(
            "line_id", sa.Integer(), sa.ForeignKey("order_line.id"), nullable=False, index=True
        ),
        sa.Column(
            "movement_seq", sa.Integer(), sa.ForeignKey("movement.seq"), nullable=False, unique=True
        ),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("at", UtcDateTime(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
        sa.CheckConstraint("quantity > 0", name="quantity_positive"),
    )
    for table, name, says in _APPEND_ONLY:
        _refuse_changes(table, name, says)


def _refuse_changes(table: str, name: str, says: str) -> None:
    if op.get_bind().dialect.name == "sqlite":
        for verb in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{says}'); END"
            )
        return
    op.execute(
        f"CREATE FUNCTION {name}_append_only() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{says}'; END $$"
    )
    op.execute(
        f"CREATE TRIGGER {name}_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
        f"FOR EACH STATEMENT EXECUTE FUNCTION {name}_append_only()"
    )


def downgrade() -> None:
    """Take the change back."""
    tables = sa.MetaData()
    tables.reflect(op.get_bind(), only=lambda name, _: name != "alembic_version")
    tables.drop_all(op.get_bind())
    if op.get_bind().dialect.name == "postgresql":
        for _, name, _ in _APPEND_ONLY:
            op.execute(f"DROP FUNCTION {name}_append_only()")
