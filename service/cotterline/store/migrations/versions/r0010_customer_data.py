"""Keep when the customer's words were taken out of a quote, and when a run last changed."""

import sqlalchemy as sa
from alembic import op

from cotterline.store.migrations.tenant_rows import wall_off

revision = "0010"
down_revision = "0009"

_NEW = (
    ("quotes", "erased_at"),
    ("fit_reports", "erased_at"),
    ("deliveries", "erased_at"),
    ("quote_runs", "changed_at"),
)
_CHANGED = ("fit_reports", "quote_transitions")
"""What was only ever written and read before."""

_INDEX = "ix_quotes_unerased"


def upgrade() -> None:
    """Add columns that are empty at first, and by what quotes long ended are found."""
    for table, column in _NEW:
        op.add_column(table, sa.Column(column, sa.DateTime(timezone=True), nullable=True))
    unerased = sa.text("erased_at IS NULL AND state IN ('draft', 'declined', 'expired', 'closed')")
    columns = ["shop_id", "mode", "created_at", "id"]
    op.create_index(_INDEX, "quotes", columns, sqlite_where=unerased, postgresql_where=unerased)
    for table in _CHANGED:
        wall_off(table, commands="UPDATE")


def downgrade() -> None:
    """Drop them: nobody can tell any more what was erased."""
    if op.get_bind().dialect.name == "postgresql":
        for table in _CHANGED:
            op.execute(f"DROP POLICY {table}_tenant_update ON {table}")
    op.drop_index(_INDEX, "quotes")
    for table, column in reversed(_NEW):
        op.drop_column(table, column)
