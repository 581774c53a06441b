"""The second wall on PostgreSQL: policies that show a transaction the rows of its tenant and no other's.

They hold for the owner of the tables too (FORCE ROW LEVEL SECURITY), but for no superuser and no role with BYPASSRLS
(PostgreSQL 18 documentation, section 5.9). SQLite has nothing of the kind; there the queries' own conditions stand
alone.
"""

from collections.abc import Iterator
from contextlib import contextmanager

import sqlalchemy as sa
from alembic import op

SHOP = "nullif(current_setting('cotterline.shop', true), '')::uuid"
MODE = "current_setting('cotterline.mode', true)"
SERVICE = "current_setting('cotterline.service', true) = 'on'"
OWNED = f"shop_id = {SHOP} AND mode = {MODE}"


def owner(table: str) -> tuple[sa.Column[object] | sa.Constraint, ...]:
    """The columns that say whose a row of a new table is, and what holds for them."""
    return (
        sa.Column("shop_id", sa.Uuid(), nullable=False),
        sa.Column("mode", sa.Text(), nullable=False),
        sa.CheckConstraint("mode IN ('live', 'test')", name=op.f(f"ck_{table}_mode")),
        sa.ForeignKeyConstraint(["shop_id"], ["shops.id"], name=op.f(f"fk_{table}_shop_id_shops")),
    )


def wall_off(
    table: str,
    condition: str = OWNED,
    *,
    service_reads: bool = False,
    service_changes: bool = False,
    commands: str = "ALL",
) -> None:
    """Show a transaction only the rows that meet the condition, and let it write no others.

    Args:
        table: a table with columns ``shop_id`` and ``mode``, unless the condition goes by others.
        condition: which rows are the tenant's.
        service_reads: whether the service itself may read every row, as it must to look up a key.
        service_changes: whether it may change what it reads, as it must to claim work of every shop's.
        commands: ``ALL``, or those a tenant may use, as in ``SELECT, INSERT``.
    """
    if op.get_bind().dialect.name != "postgresql":
        return
    op.execute(f"ALTER TABLE {table} ENABLE ROW LEVEL SECURITY")
    op.execute(f"ALTER TABLE {table} FORCE ROW LEVEL SECURITY")
    for command in commands.split(", "):
        check = "WITH CHECK" if command == "INSERT" else "USING"  # USING also checks what ALL would write
        op.execute(f"CREATE POLICY {table}_tenant_{command.lower()} ON {table} FOR {command} {check} ({condition})")
    if service_reads:
        op.execute(f"CREATE POLICY {table}_service_select ON {table} FOR SELECT USING ({SERVICE})")
    if service_changes:
        op.execute(f"CREATE POLICY {table}_service_update ON {table} FOR UPDATE USING ({SERVICE})")


@contextmanager
def wall_open(table: str) -> Iterator[None]:
    """Let the owner see every row inside the block: a step that changes rows would find none otherwise."""
    walled = op.get_bind().dialect.name == "postgresql"
    if walled:
        op.execute(f"ALTER TABLE {table} NO FORCE ROW LEVEL SECURITY")
    yield
    if walled:
        op.execute(f"ALTER TABLE {table} FORCE ROW LEVEL SECURITY")
