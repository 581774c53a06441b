"""Keep quotes: what was asked, what was answered, by which version of the calculation."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Create the table and the order it is paged in."""
    op.create_table(
        "quotes",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("reference", sa.Text(), nullable=True),
        sa.Column("verdict_state", sa.Text(), nullable=False),
        sa.Column("leading_family", sa.Text(), nullable=True),
        sa.Column("core_version", sa.Text(), nullable=False),
        sa.Column("request", sa.LargeBinary(), nullable=False),
        sa.Column("result", sa.LargeBinary(), nullable=False),
        sa.CheckConstraint("length(reference) <= 200", name=op.f("ck_quotes_reference_length")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_quotes")),
    )
    op.create_index(op.f("ix_quotes_created_at_id"), "quotes", ["created_at", "id"])


def downgrade() -> None:
    """Drop the table with every quote in it."""
    op.drop_index(op.f("ix_quotes_created_at_id"), table_name="quotes")
    op.drop_table("quotes")
