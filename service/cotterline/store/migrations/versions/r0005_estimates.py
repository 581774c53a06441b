"""Keep what estimates rest on, the labour book beside the settings, and what customers agree to."""

import sqlalchemy as sa
from alembic import op

from cotterline.store.migrations.tenant_rows import wall_off, wall_open

revision = "0005"
down_revision = "0004"

_DOCUMENT = "shop_id, mode, version, created_at, actor"


def upgrade() -> None:
    """Move the settings to where the other documents will stand."""
    _create_documents()
    with wall_open("shop_profiles"):
        op.execute(
            f"INSERT INTO shop_documents ({_DOCUMENT}, kind, content) "  # noqa: S608 - names of columns
            f"SELECT {_DOCUMENT}, 'settings', profile FROM shop_profiles"
        )
    op.drop_table("shop_profiles")
    wall_off("shop_documents", commands="SELECT, INSERT")
    _create_approvals()
    wall_off("approvals")


def downgrade() -> None:
    """Keep the settings alone of all documents, and nothing else of estimates."""
    op.drop_table("approvals")
    _create_profiles()
    with wall_open("shop_documents"):
        op.execute(
            f"INSERT INTO shop_profiles ({_DOCUMENT}, profile) "  # noqa: S608 - as above
            f"SELECT {_DOCUMENT}, content FROM shop_documents WHERE kind = 'settings'"
        )
    op.drop_table("shop_documents")
    wall_off("shop_profiles", commands="SELECT, INSERT")


def _owner(table: str) -> tuple[sa.Column[object] | sa.Constraint, ...]:
    return (
        sa.Column("shop_id", sa.Uuid(), nullable=False),
        sa.Column("mode", sa.Text(), nullable=False),
        sa.CheckConstraint("mode IN ('live', 'test')", name=op.f(f"ck_{table}_mode")),
        sa.ForeignKeyConstraint(["shop_id"], ["shops.id"], name=op.f(f"fk_{table}_shop_id_shops")),
    )


def _create_documents() -> None:
    op.create_table(
        "shop_documents",
        *_owner("shop_documents"),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("actor", sa.Text(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.CheckConstraint("kind IN ('settings', 'labour_book')", name=op.f("ck_shop_documents_kind")),
        sa.PrimaryKeyConstraint("shop_id", "mode", "kind", "version", name=op.f("pk_shop_documents")),
    )


def _create_approvals() -> None:
    op.create_table(
        "approvals",
        sa.Column("quote_id", sa.Uuid(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        *_owner("approvals"),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("ceiling", sa.Text(), nullable=False),
        sa.Column("currency", sa.Text(), nullable=False),
        sa.Column("options", sa.LargeBinary(), nullable=False),
        sa.Column("given_by", sa.Text(), nullable=False),
        sa.Column("how", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("actor", sa.Text(), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("ended_why", sa.Text(), nullable=True),
        sa.Column("charged", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["quote_id"], ["quotes.id"], name=op.f("fk_approvals_quote_id_quotes")),
        sa.PrimaryKeyConstraint("quote_id", "version", name=op.f("pk_approvals")),
    )


def _create_profiles() -> None:
    op.create_table(
        "shop_profiles",
        *_owner("shop_profiles"),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("actor", sa.Text(), nullable=False),
        sa.Column("profile", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("shop_id", "mode", "version", name=op.f("pk_shop_profiles")),
    )
