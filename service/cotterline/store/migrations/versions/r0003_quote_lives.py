"""Let quotes live: states, revisions and acts; what shops set; answers kept under the key of their request."""

import sqlalchemy as sa
from alembic import op

from cotterline.store.migrations.tenant_rows import owner, wall_off, wall_open

revision = "0003"
down_revision = "0002"

_MOVED = "created_at, verdict_state, leading_family, core_version, request, result"


def upgrade() -> None:
    """Make every quote there is a draft whose first revision is what was kept."""
    _create_revisions()
    _create_transitions()
    _create_profiles()
    _create_answers()
    with wall_open("quotes"):
        op.execute(
            f"INSERT INTO quote_revisions (quote_id, number, shop_id, mode, actor, settings_version, {_MOVED}) "  # noqa: S608 - names of columns
            f"SELECT id, 1, shop_id, mode, '', 0, {_MOVED} FROM quotes"
        )
        _give_quotes_a_life()
    for table in ("quote_revisions", "quote_transitions", "shop_profiles"):
        wall_off(table, commands="SELECT, INSERT")
    wall_off("kept_answers")


def downgrade() -> None:
    """Keep of each quote the revision that holds; drop acts, settings and kept answers."""
    for columns in ("reference", "state"):
        op.drop_index(op.f(f"ix_quotes_shop_id_mode_{columns}_created_at_id"), table_name="quotes")
    op.add_column("quotes", sa.Column("request", sa.LargeBinary(), nullable=True))
    op.add_column("quotes", sa.Column("result", sa.LargeBinary(), nullable=True))
    with wall_open("quotes"), wall_open("quote_revisions"):
        for name in ("request", "result"):
            op.execute(
                f"UPDATE quotes SET {name} = (SELECT held.{name} FROM quote_revisions AS held "  # noqa: S608 - as above
                "WHERE held.quote_id = quotes.id AND held.number = quotes.revision)"
            )
    with op.batch_alter_table("quotes") as batch:
        for name in ("request", "result"):
            batch.alter_column(name, existing_type=sa.LargeBinary(), nullable=False)
        for name in ("state", "version", "revision", "expires_at", "metadata"):
            batch.drop_column(name)
    for table in ("kept_answers", "shop_profiles", "quote_transitions", "quote_revisions"):
        op.drop_table(table)


def _create_revisions() -> None:
    op.create_table(
        "quote_revisions",
        sa.Column("quote_id", sa.Uuid(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        *owner("quote_revisions"),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("actor", sa.Text(), nullable=False),
        sa.Column("settings_version", sa.Integer(), nullable=False),
        sa.Column("verdict_state", sa.Text(), nullable=False),
        sa.Column("leading_family", sa.Text(), nullable=True),
        sa.Column("core_version", sa.Text(), nullable=False),
        sa.Column("request", sa.LargeBinary(), nullable=False),
        sa.Column("result", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["quote_id"], ["quotes.id"], name=op.f("fk_quote_revisions_quote_id_quotes")),
        sa.PrimaryKeyConstraint("quote_id", "number", name=op.f("pk_quote_revisions")),
    )


def _create_transitions() -> None:
    op.create_table(
        "quote_transitions",
        sa.Column("quote_id", sa.Uuid(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        *owner("quote_transitions"),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("actor", sa.Text(), nullable=False),
        sa.Column("action", sa.Text(), nullable=False),
        sa.Column("from_state", sa.Text(), nullable=False),
        sa.Column("to_state", sa.Text(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["quote_id"], ["quotes.id"], name=op.f("fk_quote_transitions_quote_id_quotes")),
        sa.PrimaryKeyConstraint("quote_id", "version", name=op.f("pk_quote_transitions")),
    )


def _create_profiles() -> None:
    op.create_table(
        "shop_profiles",
        *owner("shop_profiles"),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("actor", sa.Text(), nullable=False),
        sa.Column("profile", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("shop_id", "mode", "version", name=op.f("pk_shop_profiles")),
    )


def _create_answers() -> None:
    op.create_table(
        "kept_answers",
        *owner("kept_answers"),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("fingerprint", sa.LargeBinary(), nullable=False),
        sa.Column("status", sa.Integer(), nullable=True),
        sa.Column("headers", sa.LargeBinary(), nullable=True),
        sa.Column("body", sa.LargeBinary(), nullable=True),
        sa.PrimaryKeyConstraint("shop_id", "mode", "key", name=op.f("pk_kept_answers")),
    )
    columns = ["shop_id", "mode", "created_at"]
    op.create_index(op.f("ix_kept_answers_shop_id_mode_created_at"), "kept_answers", columns)


def _give_quotes_a_life() -> None:
    op.add_column("quotes", sa.Column("state", sa.Text(), nullable=True))
    op.add_column("quotes", sa.Column("version", sa.Integer(), nullable=True))
    op.add_column("quotes", sa.Column("revision", sa.Integer(), nullable=True))
    op.add_column("quotes", sa.Column("expires_at", sa.DateTime(timezone=True), nullable=True))
    op.add_column("quotes", sa.Column("metadata", sa.LargeBinary(), nullable=True))
    numbers = (sa.column("version", sa.Integer()), sa.column("revision", sa.Integer()))
    quotes = sa.table("quotes", sa.column("state", sa.Text()), *numbers, sa.column("metadata", sa.LargeBinary()))
    op.get_bind().execute(sa.update(quotes).values(state="draft", version=1, revision=1, metadata=b"{}"))
    with op.batch_alter_table("quotes") as batch:
        for name, kind in (("state", sa.Text()), ("version", sa.Integer()), ("revision", sa.Integer())):
            batch.alter_column(name, existing_type=kind, nullable=False)
        batch.alter_column("metadata", existing_type=sa.LargeBinary(), nullable=False)
        batch.drop_column("request")
        batch.drop_column("result")
    for column in ("reference", "state"):
        name = op.f(f"ix_quotes_shop_id_mode_{column}_created_at_id")
        op.create_index(name, "quotes", ["shop_id", "mode", column, "created_at", "id"])
