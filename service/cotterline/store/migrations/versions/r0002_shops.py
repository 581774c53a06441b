"""Keep shops apart: shops, their keys, an audit trail, and whose each quote is."""

from datetime import UTC, datetime

import sqlalchemy as sa
from alembic import op
from uuid_utils.compat import uuid7

from cotterline.store.migrations.tenant_rows import SHOP, wall_off

revision = "0002"
down_revision = "0001"

FIRST_SHOP = "first shop"
"""Name of the shop that gets the quotes kept before there were shops."""

_REFUSE_SQLITE = (
    "CREATE TRIGGER audit_no_{0} BEFORE {0} ON audit BEGIN SELECT RAISE(ABORT, 'the audit trail is append-only'); END"
)
_REFUSE_POSTGRESQL = """
CREATE FUNCTION refuse_audit_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN RAISE EXCEPTION 'the audit trail is append-only'; END $$
"""


def upgrade() -> None:
    """Create the tables, and give the quotes there are to one shop."""
    op.create_table(
        "shops",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("length(name) <= 100", name=op.f("ck_shops_name_length")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_shops")),
    )
    _create_keys()
    _create_audit()
    _give_quotes_an_owner()
    wall_off("shops", f"id = {SHOP}", service_reads=True)
    wall_off("keys", service_reads=True)
    wall_off("audit", commands="SELECT, INSERT")
    wall_off("quotes")


def downgrade() -> None:
    """Drop shops, keys and the audit trail: every shop's quotes lie together again, test ones among them."""
    on_postgresql = op.get_bind().dialect.name == "postgresql"
    if on_postgresql:
        op.execute("DROP POLICY quotes_tenant_all ON quotes")
        op.execute("ALTER TABLE quotes NO FORCE ROW LEVEL SECURITY")
        op.execute("ALTER TABLE quotes DISABLE ROW LEVEL SECURITY")
    op.drop_index(op.f("ix_quotes_shop_id_mode_created_at_id"), table_name="quotes")
    with op.batch_alter_table("quotes") as batch:
        batch.drop_constraint(op.f("fk_quotes_shop_id_shops"), type_="foreignkey")
        batch.drop_constraint(op.f("ck_quotes_mode"), type_="check")
        batch.drop_column("mode")
        batch.drop_column("shop_id")
    op.create_index(op.f("ix_quotes_created_at_id"), "quotes", ["created_at", "id"])
    for table in ("audit", "keys", "shops"):
        op.drop_table(table)
    if on_postgresql:
        op.execute("DROP FUNCTION refuse_audit_change()")


def _create_keys() -> None:
    op.create_table(
        "keys",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("shop_id", sa.Uuid(), nullable=False),
        sa.Column("mode", sa.Text(), nullable=False),
        sa.Column("label", sa.Text(), nullable=False),
        sa.Column("secret_hash", sa.LargeBinary(), nullable=False),
        sa.Column("scopes", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("last_used_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("revoked_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("mode IN ('live', 'test')", name=op.f("ck_keys_mode")),
        sa.CheckConstraint("length(label) <= 100", name=op.f("ck_keys_label_length")),
        sa.ForeignKeyConstraint(["shop_id"], ["shops.id"], name=op.f("fk_keys_shop_id_shops")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_keys")),
    )
    op.create_index(op.f("ix_keys_shop_id_mode_created_at_id"), "keys", ["shop_id", "mode", "created_at", "id"])


def _create_audit() -> None:
    op.create_table(
        "audit",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("shop_id", sa.Uuid(), nullable=False),
        sa.Column("mode", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("actor", sa.Text(), nullable=False),
        sa.Column("action", sa.Text(), nullable=False),
        sa.Column("subject_kind", sa.Text(), nullable=False),
        sa.Column("subject_id", sa.Text(), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.CheckConstraint("mode IN ('live', 'test')", name=op.f("ck_audit_mode")),
        sa.ForeignKeyConstraint(["shop_id"], ["shops.id"], name=op.f("fk_audit_shop_id_shops")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit")),
    )
    for columns in (["at", "id"], ["subject_id", "at", "id"]):
        name = op.f(f"ix_audit_shop_id_mode_{'_'.join(columns)}")
        op.create_index(name, "audit", ["shop_id", "mode", *columns])
    if op.get_bind().dialect.name == "postgresql":
        op.execute(_REFUSE_POSTGRESQL)
        op.execute(
            "CREATE TRIGGER audit_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON audit "
            "FOR EACH STATEMENT EXECUTE FUNCTION refuse_audit_change()"
        )
    else:
        for command in ("UPDATE", "DELETE"):
            op.execute(_REFUSE_SQLITE.format(command))


def _give_quotes_an_owner() -> None:
    op.drop_index(op.f("ix_quotes_created_at_id"), table_name="quotes")
    op.add_column("quotes", sa.Column("shop_id", sa.Uuid(), nullable=True))
    op.add_column("quotes", sa.Column("mode", sa.Text(), nullable=True))
    shops = sa.table(
        "shops", sa.column("id", sa.Uuid()), sa.column("name"), sa.column("created_at", sa.DateTime(timezone=True))
    )
    quotes = sa.table("quotes", sa.column("shop_id", sa.Uuid()), sa.column("mode"))
    connection = op.get_bind()
    if connection.scalar(sa.select(sa.exists(sa.select(quotes.c.mode)))):
        first = uuid7()
        connection.execute(sa.insert(shops).values(id=first, name=FIRST_SHOP, created_at=datetime.now(UTC)))
        connection.execute(sa.update(quotes).values(shop_id=first, mode="live"))
    with op.batch_alter_table("quotes") as batch:
        batch.alter_column("shop_id", existing_type=sa.Uuid(), nullable=False)
        batch.alter_column("mode", existing_type=sa.Text(), nullable=False)
        batch.create_check_constraint(op.f("ck_quotes_mode"), "mode IN ('live', 'test')")
        batch.create_foreign_key(op.f("fk_quotes_shop_id_shops"), "shops", ["shop_id"], ["id"])
    op.create_index(op.f("ix_quotes_shop_id_mode_created_at_id"), "quotes", ["shop_id", "mode", "created_at", "id"])
