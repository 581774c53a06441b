"""Keep the links by which customers see an estimate and answer it."""

import sqlalchemy as sa
from alembic import op

from cotterline.store.migrations.tenant_rows import owner, wall_off

revision = "0008"
down_revision = "0007"


def upgrade() -> None:
    """Create the table; the service itself finds the link a token belongs to."""
    op.create_table(
        "estimate_links",
        sa.Column("id", sa.Uuid(), nullable=False),
        *owner("estimate_links"),
        sa.Column("quote_id", sa.Uuid(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("actor", sa.Text(), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("token_hash", sa.LargeBinary(), nullable=False),
        sa.Column("language", sa.Text(), nullable=False),
        sa.Column("units", sa.Text(), nullable=False),
        sa.Column("last_seen_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("answered_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("answer", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_estimate_links")),
        sa.ForeignKeyConstraint(["quote_id"], ["quotes.id"], name=op.f("fk_estimate_links_quote_id_quotes")),
        sa.UniqueConstraint("token_hash", name=op.f("uq_estimate_links_token_hash")),
        sa.CheckConstraint("units IN ('mm', 'in')", name=op.f("ck_estimate_links_units")),
        sa.CheckConstraint("answer IN ('approved', 'declined')", name=op.f("ck_estimate_links_answer")),
    )
    op.create_index(
        op.f("ix_estimate_links_shop_id_mode_quote_id_created_at_id"),
        "estimate_links",
        ["shop_id", "mode", "quote_id", "created_at", "id"],
    )
    wall_off("estimate_links", service_reads=True)


def downgrade() -> None:
    """Drop it: no link is kept, so none opens anything any more."""
    op.drop_table("estimate_links")
