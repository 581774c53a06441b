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


def upgrade() -> None:
    """Add columns that are empty at first."""
    for table, column in _NEW:
        op.add_column(table, sa.Column(column, sa.DateTime(timezone=True), nullable=True))
    for table in _CHANGED:
        wall_off(table, commands="UPDATE")


def downgrade() -> None:
    """Drop them: nobody can tell any more what was erased."""
    if op.get_bind().dialect.name == "postgresql":
        for table in _CHANGED:
            op.execute(f"DROP POLICY {table}_tenant_update ON {table}")
    for table, column in reversed(_NEW):
        op.drop_column(table, column)
