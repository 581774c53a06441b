"""Keep whom the service posts to, what was ordered, what came back, what happened, and the outbox."""

import sqlalchemy as sa
from alembic import op

from cotterline.store.migrations.tenant_rows import owner, wall_off

revision = "0006"
down_revision = "0005"

_NEW = (
    "receivers",
    "receiver_secrets",
    "orders",
    "order_replies",
    "order_decisions",
    "order_changes",
    "event_counters",
    "events",
    "deliveries",
    "delivery_attempts",
)
_WAITING = sa.text("state = 'waiting'")


def upgrade() -> None:
    """Create the tables; the service itself finds the deliveries that are due, and the shop an order belongs to."""
    _create_receivers()
    _create_orders()
    _create_events()
    _create_deliveries()
    for table in _NEW:
        wall_off(
            table,
            service_reads=table in {"orders", "deliveries", "receiver_secrets"},
            service_changes=table in {"deliveries", "receiver_secrets"},
        )


def downgrade() -> None:
    """Drop them: nothing of orders is kept."""
    for table in reversed(_NEW):
        op.drop_table(table)


def _time(name: str, *, nullable: bool = False) -> sa.Column[object]:
    return sa.Column(name, sa.DateTime(timezone=True), nullable=nullable)


def _text(name: str, *, nullable: bool = False) -> sa.Column[object]:
    return sa.Column(name, sa.Text(), nullable=nullable)


def _number(name: str, *, nullable: bool = False) -> sa.Column[object]:
    return sa.Column(name, sa.Integer(), nullable=nullable)


def _bytes(name: str, *, nullable: bool = False) -> sa.Column[object]:
    return sa.Column(name, sa.LargeBinary(), nullable=nullable)


def _id(name: str = "id", *, nullable: bool = False) -> sa.Column[object]:
    return sa.Column(name, sa.Uuid(), nullable=nullable)


def _among(table: str, column: str, values: str) -> sa.CheckConstraint:
    return sa.CheckConstraint(f"{column} IN ({values})", name=op.f(f"ck_{table}_{column}"))


def _key(table: str, *columns: str) -> sa.PrimaryKeyConstraint:
    return sa.PrimaryKeyConstraint(*columns, name=op.f(f"pk_{table}"))


def _refers(table: str, column: str, other: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [f"{other}.id"], name=op.f(f"fk_{table}_{column}_{other}"))


def _index(table: str, *columns: str) -> None:
    op.create_index(op.f(f"ix_{table}_shop_id_mode_{'_'.join(columns)}"), table, ["shop_id", "mode", *columns])


def _create_receivers() -> None:
    op.create_table(
        "receivers",
        *owner("receivers"),
        _text("kind"),
        _text("name"),
        _number("version"),
        _time("created_at"),
        _time("changed_at"),
        _text("actor"),
        _time("failing_since", nullable=True),
        _time("disabled_at", nullable=True),
        _text("disabled_why", nullable=True),
        _bytes("content"),
        _key("receivers", "shop_id", "mode", "kind", "name"),
        _among("receivers", "kind", "'supplier', 'subscription'"),
    )
    op.create_table(
        "receiver_secrets",
        _id(),
        *owner("receiver_secrets"),
        _text("receiver_kind"),
        _text("receiver_name"),
        _text("purpose"),
        _time("created_at"),
        _text("actor"),
        _time("ends_at", nullable=True),
        _bytes("sealed"),
        _key("receiver_secrets", "id"),
        _among("receiver_secrets", "purpose", "'signing', 'credential', 'reply'"),
    )
    _index("receiver_secrets", "receiver_kind", "receiver_name")


def _create_orders() -> None:
    op.create_table(
        "orders",
        _id(),
        *owner("orders"),
        _time("created_at"),
        _text("actor"),
        _id("quote_id"),
        _number("quote_revision"),
        _text("supplier"),
        _text("state"),
        _number("version"),
        _number("open_questions"),
        _text("outcome"),
        _bytes("document"),
        _bytes("standing"),
        _key("orders", "id"),
        _refers("orders", "quote_id", "quotes"),
        _among("orders", "outcome", "'waiting', 'sent', 'undelivered', 'cancelled'"),
    )
    _index("orders", "created_at", "id")
    _index("orders", "quote_id")
    _index("orders", "state", "created_at", "id")
    op.create_table(
        "order_replies",
        _id(),
        *owner("order_replies"),
        _id("order_id"),
        _text("message_id"),
        _text("source"),
        _time("received_at"),
        _text("actor"),
        _bytes("content"),
        _key("order_replies", "id"),
        _refers("order_replies", "order_id", "orders"),
        sa.UniqueConstraint("order_id", "message_id", name=op.f("uq_order_replies_order_id_message_id")),
        _among("order_replies", "source", "'callback', 'answer', 'person'"),
    )
    op.create_table(
        "order_decisions",
        _id("order_id"),
        _text("message_id"),
        _number("line"),
        _text("about"),
        *owner("order_decisions"),
        _time("at"),
        _bytes("content"),
        _key("order_decisions", "order_id", "message_id", "line", "about"),
        _refers("order_decisions", "order_id", "orders"),
    )

    op.create_table(
        "order_changes",
        _id(),
        *owner("order_changes"),
        _id("order_id"),
        _time("at"),
        _text("actor"),
        _bytes("content"),
        _key("order_changes", "id"),
        _refers("order_changes", "order_id", "orders"),
    )
    _index("order_changes", "order_id")


def _create_events() -> None:
    position = sa.Column("last", sa.BigInteger(), nullable=False)
    key = _key("event_counters", "shop_id", "mode")
    op.create_table("event_counters", *owner("event_counters"), position, key)
    op.create_table(
        "events",
        *owner("events"),
        sa.Column("position", sa.BigInteger(), nullable=False),
        _id(),
        _text("type"),
        _text("resource_kind"),
        _text("resource_id"),
        _number("sequence"),
        _time("at"),
        _bytes("body"),
        _key("events", "shop_id", "mode", "position"),
    )
    _index("events", "resource_kind", "resource_id", "position")


def _create_deliveries() -> None:
    op.create_table(
        "deliveries",
        _id(),
        *owner("deliveries"),
        _text("receiver_kind"),
        _text("receiver_name"),
        _text("kind"),
        _id("subject_id"),
        _text("message_id"),
        _text("state"),
        _time("created_at"),
        _time("due_at"),
        _number("attempts"),
        _number("round_began_after"),
        _id("lease", nullable=True),
        _time("leased_until", nullable=True),
        _time("finished_at", nullable=True),
        _text("content_type"),
        _bytes("body"),
        _key("deliveries", "id"),
        _among("deliveries", "kind", "'order', 'order_change', 'event'"),
        _among("deliveries", "state", "'waiting', 'held', 'delivered', 'failed', 'cancelled'"),
    )
    op.create_index(
        "ix_deliveries_due_at_waiting",
        "deliveries",
        ["due_at"],
        sqlite_where=_WAITING,
        postgresql_where=_WAITING,
    )
    _index("deliveries", "created_at", "id")
    _index("deliveries", "subject_id")
    _index("deliveries", "receiver_kind", "receiver_name", "created_at", "id")
    op.create_table(
        "delivery_attempts",
        _id("delivery_id"),
        _number("number"),
        *owner("delivery_attempts"),
        _time("started_at"),
        _time("ended_at"),
        _number("status", nullable=True),
        _text("trouble", nullable=True),
        _bytes("answer", nullable=True),
        _key("delivery_attempts", "delivery_id", "number"),
        _refers("delivery_attempts", "delivery_id", "deliveries"),
    )
