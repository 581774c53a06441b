"""Keep what was measured after fitting, exchanges and re-checks that follow, and what shops share of their cranks."""

import sqlalchemy as sa
from alembic import op

from cotterline.store.migrations.tenant_rows import MODE, SHOP, owner, wall_off

revision = "0007"
down_revision = "0006"

_NEW = ("fit_reports", "exchanges", "recheck_visits", "shared_offsets")
_SCHEDULED = sa.text("state = 'scheduled'")


def upgrade() -> None:
    """Create the tables; what is shared names no shop, so any shop may read it, and only live data may add to it."""
    _create_fit_reports()
    _create_exchanges()
    _create_recheck_visits()
    _create_shared_offsets()
    for table in ("fit_reports", "exchanges"):
        wall_off(table, commands="SELECT, INSERT")
    wall_off("recheck_visits")
    wall_off("shared_offsets", f"{SHOP} IS NOT NULL", commands="SELECT")
    wall_off("shared_offsets", f"{MODE} = 'live'", commands="INSERT")


def downgrade() -> None:
    """Drop them: nothing of what was measured after fitting is kept."""
    for table in reversed(_NEW):
        op.drop_table(table)


def _create_fit_reports() -> None:
    op.create_table(
        "fit_reports",
        sa.Column("id", sa.Uuid(), nullable=False),
        *owner("fit_reports"),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("actor", sa.Text(), nullable=False),
        sa.Column("quote_id", sa.Uuid(), nullable=False),
        sa.Column("quote_revision", sa.Integer(), nullable=False),
        sa.Column("visit", sa.Text(), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.Column("spindle_length", sa.Double(), nullable=False),
        sa.Column("crank", sa.Text(), nullable=True),
        sa.Column("gtin", sa.Text(), nullable=True),
        sa.Column("rings", sa.Integer(), nullable=True),
        sa.Column("taper", sa.Text(), nullable=True),
        sa.Column("offset_mm", sa.Double(), nullable=True),
        sa.Column("offset_sd_mm", sa.Double(), nullable=True),
        sa.Column("request", sa.LargeBinary(), nullable=False),
        sa.Column("result", sa.LargeBinary(), nullable=False),
        sa.CheckConstraint("visit IN ('fitting', 'recheck')", name=op.f("ck_fit_reports_visit")),
        sa.CheckConstraint("outcome IN ('passed', 'missed')", name=op.f("ck_fit_reports_outcome")),
        sa.ForeignKeyConstraint(["quote_id"], ["quotes.id"], name=op.f("fk_fit_reports_quote_id_quotes")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_fit_reports")),
    )
    _index("fit_reports", "quote_id", "created_at", "id")
    _index("fit_reports", "created_at", "id")


def _create_exchanges() -> None:
    report = op.f("fk_exchanges_fit_report_id_fit_reports")
    op.create_table(
        "exchanges",
        sa.Column("fit_report_id", sa.Uuid(), nullable=False),
        *owner("exchanges"),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("actor", sa.Text(), nullable=False),
        sa.Column("quote_id", sa.Uuid(), nullable=False),
        sa.Column("spindle_length", sa.Double(), nullable=False),
        sa.Column("order_id", sa.Uuid(), nullable=True),
        sa.ForeignKeyConstraint(["fit_report_id"], ["fit_reports.id"], name=report),
        sa.ForeignKeyConstraint(["quote_id"], ["quotes.id"], name=op.f("fk_exchanges_quote_id_quotes")),
        sa.ForeignKeyConstraint(["order_id"], ["orders.id"], name=op.f("fk_exchanges_order_id_orders")),
        sa.PrimaryKeyConstraint("fit_report_id", name=op.f("pk_exchanges")),
    )
    _index("exchanges", "quote_id")


def _create_recheck_visits() -> None:
    states = "state IN ('scheduled', 'announced', 'done', 'cancelled')"
    op.create_table(
        "recheck_visits",
        sa.Column("quote_id", sa.Uuid(), nullable=False),
        *owner("recheck_visits"),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("due_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("actor", sa.Text(), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint(states, name=op.f("ck_recheck_visits_state")),
        sa.ForeignKeyConstraint(["quote_id"], ["quotes.id"], name=op.f("fk_recheck_visits_quote_id_quotes")),
        sa.PrimaryKeyConstraint("quote_id", name=op.f("pk_recheck_visits")),
    )
    op.create_index(
        "ix_recheck_visits_due_at_scheduled",
        "recheck_visits",
        ["shop_id", "mode", "due_at"],
        sqlite_where=_SCHEDULED,
        postgresql_where=_SCHEDULED,
    )
    _index("recheck_visits", "created_at", "quote_id")
    _index("recheck_visits", "state", "created_at", "quote_id")


def _create_shared_offsets() -> None:
    op.create_table(
        "shared_offsets",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("gtin", sa.Text(), nullable=True),
        sa.Column("rings", sa.Integer(), nullable=False),
        sa.Column("taper", sa.Text(), nullable=False),
        sa.Column("offset_mm", sa.Double(), nullable=False),
        sa.Column("offset_sd_mm", sa.Double(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_shared_offsets")),
    )


def _index(table: str, *columns: str) -> None:
    op.create_index(op.f(f"ix_{table}_shop_id_mode_{'_'.join(columns)}"), table, ["shop_id", "mode", *columns])
