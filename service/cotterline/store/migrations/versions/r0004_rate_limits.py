"""Let several processes share the token buckets behind the rate limits."""

import sqlalchemy as sa
from alembic import op

from cotterline.store.migrations.tenant_rows import owner, wall_off

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Create the table; on PostgreSQL without a log, as nothing in it is worth more than a minute."""
    op.create_table(
        "rate_limits",
        *owner("rate_limits"),
        sa.Column("bucket", sa.Text(), nullable=False),
        sa.Column("full_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("shop_id", "mode", "bucket", name=op.f("pk_rate_limits")),
    )
    if op.get_bind().dialect.name == "postgresql":
        op.execute("ALTER TABLE rate_limits SET UNLOGGED")
    wall_off("rate_limits")


def downgrade() -> None:
    """Drop the table: every bucket is full again."""
    op.drop_table("rate_limits")
