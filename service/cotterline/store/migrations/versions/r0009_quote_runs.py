"""Keep runs: bicycles quoted beside the calls, by the part."""

import sqlalchemy as sa
from alembic import op

from cotterline.store.migrations.tenant_rows import owner, wall_off

revision = "0009"
down_revision = "0008"

_NEW = ("quote_runs", "quote_run_inputs", "quote_run_parts")


def upgrade() -> None:
    """Create the tables; the service itself looks for runs with work to do, and claims parts."""
    _create_runs()
    _create_inputs()
    _create_parts()
    wall_off("quote_runs", service_reads=True)
    wall_off("quote_run_inputs")
    wall_off("quote_run_parts", service_reads=True, service_changes=True)


def downgrade() -> None:
    """Drop them: no run is kept."""
    for table in reversed(_NEW):
        op.drop_table(table)


def _create_runs() -> None:
    states = "state IN ('receiving', 'working', 'paused', 'finished', 'cancelled')"
    op.create_table(
        "quote_runs",
        sa.Column("id", sa.Uuid(), nullable=False),
        *owner("quote_runs"),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("actor", sa.Text(), nullable=False),
        sa.Column("reference", sa.Text(), nullable=True),
        sa.Column("bicycles_form", sa.Text(), nullable=False),
        sa.Column("answers_form", sa.Text(), nullable=False),
        sa.Column("derivation", sa.Boolean(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("received_bytes", sa.BigInteger(), nullable=False),
        sa.Column("received_all", sa.Boolean(), nullable=False),
        sa.Column("bicycles", sa.Integer(), nullable=False),
        sa.Column("quoted", sa.Integer(), nullable=False),
        sa.Column("refused", sa.Integer(), nullable=False),
        sa.Column("parts", sa.Integer(), nullable=False),
        sa.Column("parts_done", sa.Integer(), nullable=False),
        sa.Column("worked_since", sa.DateTime(timezone=True), nullable=False),
        sa.Column("finished_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("kept_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("removed_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("bicycles_form IN ('json_lines', 'csv')", name=op.f("ck_quote_runs_bicycles_form")),
        sa.CheckConstraint("answers_form IN ('json_lines', 'csv')", name=op.f("ck_quote_runs_answers_form")),
        sa.CheckConstraint(states, name=op.f("ck_quote_runs_state")),
        sa.CheckConstraint("parts_done <= parts", name=op.f("ck_quote_runs_parts_done")),
        sa.CheckConstraint("length(reference) <= 200", name=op.f("ck_quote_runs_reference_length")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_quote_runs")),
    )
    _partial_index("ix_quote_runs_worked", "quote_runs", "shop_id mode id", "state IN ('receiving', 'working')")
    _partial_index("ix_quote_runs_kept", "quote_runs", "shop_id mode kept_until", "removed_at IS NULL")
    columns = ["shop_id", "mode", "created_at", "id"]
    op.create_index(op.f("ix_quote_runs_shop_id_mode_created_at_id"), "quote_runs", columns)


def _create_inputs() -> None:
    op.create_table(
        "quote_run_inputs",
        sa.Column("run_id", sa.Uuid(), nullable=False),
        *owner("quote_run_inputs"),
        sa.Column("base_url", sa.Text(), nullable=False),
        sa.Column("workshop", sa.LargeBinary(), nullable=False),
        sa.Column("heading", sa.LargeBinary(), nullable=False),
        sa.Column("left_over", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["quote_runs.id"], name=op.f("fk_quote_run_inputs_run_id_quote_runs")),
        sa.PrimaryKeyConstraint("run_id", name=op.f("pk_quote_run_inputs")),
    )


def _create_parts() -> None:
    op.create_table(
        "quote_run_parts",
        sa.Column("run_id", sa.Uuid(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        *owner("quote_run_parts"),
        sa.Column("lines_before", sa.BigInteger(), nullable=False),
        sa.Column("records_before", sa.BigInteger(), nullable=False),
        sa.Column("bicycles", sa.Integer(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("lease", sa.Uuid(), nullable=True),
        sa.Column("leased_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("question", sa.LargeBinary(), nullable=True),
        sa.Column("answer", sa.LargeBinary(), nullable=True),
        sa.CheckConstraint("state IN ('waiting', 'done')", name=op.f("ck_quote_run_parts_state")),
        sa.ForeignKeyConstraint(["run_id"], ["quote_runs.id"], name=op.f("fk_quote_run_parts_run_id_quote_runs")),
        sa.PrimaryKeyConstraint("run_id", "number", name=op.f("pk_quote_run_parts")),
    )
    _partial_index("ix_quote_run_parts_waiting", "quote_run_parts", "run_id number", "state = 'waiting'")
    op.create_index(op.f("ix_quote_run_parts_run_id_ended_at"), "quote_run_parts", ["run_id", "ended_at"])


def _partial_index(name: str, table: str, columns: str, where: str) -> None:
    op.create_index(name, table, columns.split(), sqlite_where=sa.text(where), postgresql_where=sa.text(where))
