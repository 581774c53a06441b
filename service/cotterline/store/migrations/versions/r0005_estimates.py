"""Keep what estimates rest on, the labour book beside the settings, and what customers agree to."""

import sqlalchemy as sa
from alembic import op

from cotterline.store.migrations.tenant_rows import owner, wall_off, wall_open

revision = "0005"
down_revision = "0004"

_NEW = ("approvals", "labour_times", "catalogues", "parts", "price_lists", "prices")
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
    _create_labour_times()
    _create_catalogues()
    _create_price_lists()
    for table in _NEW:
        wall_off(table)


def downgrade() -> None:
    """Keep the settings alone of all documents, and nothing else of estimates."""
    for table in reversed(_NEW):
        op.drop_table(table)
    _create_profiles()
    with wall_open("shop_documents"):
        op.execute(
            f"INSERT INTO shop_profiles ({_DOCUMENT}, profile) "  # noqa: S608 - as above
            f"SELECT {_DOCUMENT}, content FROM shop_documents WHERE kind = 'settings'"
        )
    op.drop_table("shop_documents")
    wall_off("shop_profiles", commands="SELECT, INSERT")


def _create_documents() -> None:
    op.create_table(
        "shop_documents",
        *owner("shop_documents"),
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
        *owner("approvals"),
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


def _create_labour_times() -> None:
    op.create_table(
        "labour_times",
        sa.Column("id", sa.Uuid(), nullable=False),
        *owner("labour_times"),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("actor", sa.Text(), nullable=False),
        sa.Column("operation", sa.Text(), nullable=False),
        sa.Column("minutes", sa.Double(), nullable=False),
        sa.Column("quote_id", sa.Uuid(), nullable=True),
        sa.ForeignKeyConstraint(["quote_id"], ["quotes.id"], name=op.f("fk_labour_times_quote_id_quotes")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_labour_times")),
    )
    _index("labour_times", "created_at", "id")


def _listing() -> tuple[sa.Column[object], ...]:
    return (
        sa.Column("tag", sa.Uuid(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("actor", sa.Text(), nullable=False),
    )


def _create_catalogues() -> None:
    key = sa.PrimaryKeyConstraint("shop_id", "mode", name=op.f("pk_catalogues"))
    op.create_table("catalogues", *owner("catalogues"), *_listing(), key)
    op.create_table(
        "parts",
        *owner("parts"),
        sa.Column("sku", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("shop_id", "mode", "sku", name=op.f("pk_parts")),
    )
    _index("parts", "role")


def _create_price_lists() -> None:
    op.create_table(
        "price_lists",
        *owner("price_lists"),
        sa.Column("supplier", sa.Text(), nullable=False),
        sa.Column("currency", sa.Text(), nullable=False),
        sa.Column("offers", sa.Integer(), nullable=False),
        *_listing(),
        sa.PrimaryKeyConstraint("shop_id", "mode", "supplier", name=op.f("pk_price_lists")),
    )
    op.create_table(
        "prices",
        *owner("prices"),
        sa.Column("supplier", sa.Text(), nullable=False),
        sa.Column("sku", sa.Text(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("shop_id", "mode", "supplier", "sku", name=op.f("pk_prices")),
    )
    _index("prices", "sku")


def _index(table: str, *columns: str) -> None:
    name = op.f(f"ix_{table}_shop_id_mode_{'_'.join(columns)}")
    op.create_index(name, table, ["shop_id", "mode", *columns])


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
