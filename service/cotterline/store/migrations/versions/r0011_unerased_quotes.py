"""Find quotes long ended whose words are still there, without going through the others."""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"

_INDEX = "ix_quotes_unerased"


def beforehand() -> None:
    """Build the index while the service goes on."""
    _create(postgresql_concurrently=True)


def upgrade() -> None:
    """See that the index is there."""
    _create(postgresql_concurrently=False)


def downgrade() -> None:
    """Drop it: whoever looks goes through all quotes of a shop."""
    op.drop_index(_INDEX, "quotes")


def _create(*, postgresql_concurrently: bool) -> None:
    unerased = sa.text("erased_at IS NULL AND state IN ('draft', 'declined', 'expired', 'closed')")
    op.create_index(
        _INDEX,
        "quotes",
        ["shop_id", "mode", "created_at", "id"],
        if_not_exists=True,
        sqlite_where=unerased,
        postgresql_where=unerased,
        postgresql_concurrently=postgresql_concurrently,
    )
