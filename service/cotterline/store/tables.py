"""The tables. One file of queries bears each table's name; the migrations build the same tables step by step."""

from typing import Any

from sqlalchemy import (
    BigInteger,
    Boolean,
    CheckConstraint,
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    Table,
    UniqueConstraint,
    Uuid,
    text,
)

from cotterline.store.columns import PlainText, UtcDateTime

REFERENCE_LENGTH = 200
"""Longest reference a shop may give a quote, in characters."""

NAME_LENGTH = 100
"""Longest name of a shop and label of a key, in characters."""

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)
"""Every constraint has a name of its own, or a later migration could not drop it on either database."""

shops = Table(
    "shops",
    metadata,
    Column("id", Uuid, primary_key=True),
    Column("name", PlainText, nullable=False),
    Column("created_at", UtcDateTime, nullable=False),
    CheckConstraint(f"length(name) <= {NAME_LENGTH}", name="name_length"),
)
"""The tenants. A name is for people, and two shops may bear the same."""


def _owner() -> tuple[Column[Any], Column[Any], CheckConstraint]:
    """The columns of every table that belongs to tenants; on PostgreSQL a policy goes by them."""
    return (
        Column("shop_id", Uuid, ForeignKey("shops.id"), nullable=False),
        Column("mode", PlainText, nullable=False),
        CheckConstraint("mode IN ('live', 'test')", name="mode"),
    )


keys = Table(
    "keys",
    metadata,
    Column("id", Uuid, primary_key=True),
    *_owner(),
    Column("label", PlainText, nullable=False),
    Column("secret_hash", LargeBinary, nullable=False),
    Column("scopes", PlainText, nullable=False),
    Column("created_at", UtcDateTime, nullable=False),
    Column("expires_at", UtcDateTime),
    Column("last_used_at", UtcDateTime),
    Column("revoked_at", UtcDateTime),
    CheckConstraint(f"length(label) <= {NAME_LENGTH}", name="label_length"),
    Index(None, "shop_id", "mode", "created_at", "id"),
)
"""API keys, each as a hash. Revoked and expired ones stay, so that the audit trail keeps its names."""

audit = Table(
    "audit",
    metadata,
    Column("id", Uuid, primary_key=True),
    *_owner(),
    Column("at", UtcDateTime, nullable=False),
    Column("actor", PlainText, nullable=False),
    Column("action", PlainText, nullable=False),
    Column("subject_kind", PlainText, nullable=False),
    Column("subject_id", PlainText, nullable=False),
    Column("detail", PlainText, nullable=False),
    Index(None, "shop_id", "mode", "at", "id"),
    Index(None, "shop_id", "mode", "subject_id", "at", "id"),
)
"""Who did what to what. Triggers refuse to change or delete a row."""

_UNERASED = text("erased_at IS NULL AND state IN ('draft', 'declined', 'expired', 'closed')")

quotes = Table(
    "quotes",
    metadata,
    Column("id", Uuid, primary_key=True),
    *_owner(),
    Column("created_at", UtcDateTime, nullable=False),
    Column("state", PlainText, nullable=False),
    Column("version", Integer, nullable=False),
    Column("revision", Integer, nullable=False),
    Column("expires_at", UtcDateTime),
    Column("reference", PlainText),
    Column("metadata", LargeBinary, nullable=False),
    Column("verdict_state", PlainText, nullable=False),
    Column("leading_family", PlainText),
    Column("core_version", PlainText, nullable=False),
    Column("erased_at", UtcDateTime),
    CheckConstraint(f"length(reference) <= {REFERENCE_LENGTH}", name="reference_length"),
    Index(None, "shop_id", "mode", "created_at", "id"),
    Index(None, "shop_id", "mode", "reference", "created_at", "id"),
    Index(None, "shop_id", "mode", "state", "created_at", "id"),
    Index(
        "ix_quotes_unerased", "shop_id", "mode", "created_at", "id", sqlite_where=_UNERASED, postgresql_where=_UNERASED
    ),
)
"""What each quote is now. A change counts its version up; only who has seen the last one can make it.

From ``erased_at`` on the customer's words are gone, here and in whatever else was kept of the quote.
"""

quote_revisions = Table(
    "quote_revisions",
    metadata,
    Column("quote_id", Uuid, ForeignKey("quotes.id"), primary_key=True),
    Column("number", Integer, primary_key=True),
    *_owner(),
    Column("created_at", UtcDateTime, nullable=False),
    Column("actor", PlainText, nullable=False),
    Column("settings_version", Integer, nullable=False),
    Column("verdict_state", PlainText, nullable=False),
    Column("leading_family", PlainText),
    Column("core_version", PlainText, nullable=False),
    # The exact bytes, last: a database's own JSON type would reorder keys, and a list never reads them.
    Column("request", LargeBinary, nullable=False),
    Column("result", LargeBinary, nullable=False),
)
"""What was asked and what was answered, each time, and the version of the core that answered."""

quote_transitions = Table(
    "quote_transitions",
    metadata,
    Column("quote_id", Uuid, ForeignKey("quotes.id"), primary_key=True),
    Column("version", Integer, primary_key=True),
    *_owner(),
    Column("at", UtcDateTime, nullable=False),
    Column("actor", PlainText, nullable=False),
    Column("action", PlainText, nullable=False),
    Column("from_state", PlainText, nullable=False),
    Column("to_state", PlainText, nullable=False),
    Column("revision", Integer, nullable=False),
    Column("note", PlainText),
)
"""What was done with each quote; ``version`` is the quote's since."""

approvals = Table(
    "approvals",
    metadata,
    Column("quote_id", Uuid, ForeignKey("quotes.id"), primary_key=True),
    Column("version", Integer, primary_key=True),
    *_owner(),
    Column("revision", Integer, nullable=False),
    Column("ceiling", PlainText, nullable=False),
    Column("currency", PlainText, nullable=False),
    Column("options", LargeBinary, nullable=False),
    Column("given_by", PlainText, nullable=False),
    Column("how", PlainText, nullable=False),
    Column("at", UtcDateTime, nullable=False),
    Column("actor", PlainText, nullable=False),
    Column("ended_at", UtcDateTime),
    Column("ended_why", PlainText),
    Column("charged", PlainText),
)
"""What customers agreed to; ``version`` is the quote's since. The one that has not ended is in force."""

estimate_links = Table(
    "estimate_links",
    metadata,
    Column("id", Uuid, primary_key=True),
    *_owner(),
    Column("quote_id", Uuid, ForeignKey("quotes.id"), nullable=False),
    Column("revision", Integer, nullable=False),
    Column("created_at", UtcDateTime, nullable=False),
    Column("actor", PlainText, nullable=False),
    Column("expires_at", UtcDateTime, nullable=False),
    Column("token_hash", LargeBinary, nullable=False),
    Column("language", PlainText, nullable=False),
    Column("units", PlainText, nullable=False),
    Column("last_seen_at", UtcDateTime),
    Column("ended_at", UtcDateTime),
    Column("answered_at", UtcDateTime),
    Column("answer", PlainText),
    UniqueConstraint("token_hash"),
    CheckConstraint("units IN ('mm', 'in')", name="units"),
    CheckConstraint("answer IN ('approved', 'declined')", name="answer"),
    Index(None, "shop_id", "mode", "quote_id", "created_at", "id"),
)
"""By what customers see one revision of a quote without a key, each link's token as a hash, and what they answered."""

labour_times = Table(
    "labour_times",
    metadata,
    Column("id", Uuid, primary_key=True),
    *_owner(),
    Column("created_at", UtcDateTime, nullable=False),
    Column("actor", PlainText, nullable=False),
    Column("operation", PlainText, nullable=False),
    Column("minutes", Double, nullable=False),
    Column("quote_id", Uuid, ForeignKey("quotes.id")),
    Index(None, "shop_id", "mode", "created_at", "id"),
)
"""How long things took."""


def _listing() -> tuple[Column[Any], ...]:
    """What every version of a list has: a tag that is never used again, when it came and who sent it."""
    return (
        Column("tag", Uuid, nullable=False),
        Column("created_at", UtcDateTime, nullable=False),
        Column("actor", PlainText, nullable=False),
    )


catalogues = Table("catalogues", metadata, *_owner(), *_listing(), PrimaryKeyConstraint("shop_id", "mode"))
"""The catalogue of each shop; its parts stand in ``parts``."""

parts = Table(
    "parts",
    metadata,
    *_owner(),
    Column("sku", PlainText, nullable=False),
    Column("role", PlainText, nullable=False),
    Column("position", Integer, nullable=False),
    Column("content", LargeBinary, nullable=False),
    PrimaryKeyConstraint("shop_id", "mode", "sku"),
    Index(None, "shop_id", "mode", "role"),
)
"""What each shop can fit."""

price_lists = Table(
    "price_lists",
    metadata,
    *_owner(),
    Column("supplier", PlainText, nullable=False),
    Column("currency", PlainText, nullable=False),
    Column("offers", Integer, nullable=False),
    *_listing(),
    PrimaryKeyConstraint("shop_id", "mode", "supplier"),
)
"""The price list of each supplier of a shop's; its offers stand in ``prices``."""

prices = Table(
    "prices",
    metadata,
    *_owner(),
    Column("supplier", PlainText, nullable=False),
    Column("sku", PlainText, nullable=False),
    Column("position", Integer, nullable=False),
    Column("content", LargeBinary, nullable=False),
    PrimaryKeyConstraint("shop_id", "mode", "supplier", "sku"),
    Index(None, "shop_id", "mode", "sku"),
)
"""What each supplier asks for each part."""

shop_documents = Table(
    "shop_documents",
    metadata,
    Column("shop_id", Uuid, ForeignKey("shops.id"), primary_key=True),
    Column("mode", PlainText, primary_key=True),
    Column("kind", PlainText, primary_key=True),
    Column("version", Integer, primary_key=True),
    Column("created_at", UtcDateTime, nullable=False),
    Column("actor", PlainText, nullable=False),
    Column("content", LargeBinary, nullable=False),
    CheckConstraint("mode IN ('live', 'test')", name="mode"),
    CheckConstraint("kind IN ('settings', 'labour_book')", name="kind"),
)
"""Every version of what each shop set for itself; the greatest of a kind is in force."""

kept_answers = Table(
    "kept_answers",
    metadata,
    Column("shop_id", Uuid, ForeignKey("shops.id"), primary_key=True),
    Column("mode", PlainText, primary_key=True),
    Column("key", PlainText, primary_key=True),
    Column("created_at", UtcDateTime, nullable=False),
    Column("fingerprint", LargeBinary, nullable=False),
    Column("status", Integer),
    Column("headers", LargeBinary),
    Column("body", LargeBinary),
    CheckConstraint("mode IN ('live', 'test')", name="mode"),
    Index(None, "shop_id", "mode", "created_at"),
)
"""Answers by the key of their request. One without a status is never seen: it is filled before it is committed."""

rate_limits = Table(
    "rate_limits",
    metadata,
    *_owner(),
    Column("bucket", PlainText, nullable=False),
    Column("full_at", UtcDateTime, nullable=False),
    PrimaryKeyConstraint("shop_id", "mode", "bucket"),
)
"""Token buckets of the rate limits, each as the time at which it is full again."""

receivers = Table(
    "receivers",
    metadata,
    *_owner(),
    Column("kind", PlainText, nullable=False),
    Column("name", PlainText, nullable=False),
    Column("version", Integer, nullable=False),
    Column("created_at", UtcDateTime, nullable=False),
    Column("changed_at", UtcDateTime, nullable=False),
    Column("actor", PlainText, nullable=False),
    Column("failing_since", UtcDateTime),
    Column("disabled_at", UtcDateTime),
    Column("disabled_why", PlainText),
    Column("content", LargeBinary, nullable=False),
    PrimaryKeyConstraint("shop_id", "mode", "kind", "name"),
    CheckConstraint("kind IN ('supplier', 'subscription')", name="kind"),
)
"""Whom the service posts to: suppliers by their names, subscriptions by their ids. One disabled is not tried."""

receiver_secrets = Table(
    "receiver_secrets",
    metadata,
    Column("id", Uuid, primary_key=True),
    *_owner(),
    Column("receiver_kind", PlainText, nullable=False),
    Column("receiver_name", PlainText, nullable=False),
    Column("purpose", PlainText, nullable=False),
    Column("created_at", UtcDateTime, nullable=False),
    Column("actor", PlainText, nullable=False),
    Column("ends_at", UtcDateTime),
    Column("sealed", LargeBinary, nullable=False),
    CheckConstraint("purpose IN ('signing', 'credential', 'reply')", name="purpose"),
    Index(None, "shop_id", "mode", "receiver_kind", "receiver_name"),
)
"""Their secrets, encrypted. Of one purpose at most two hold at once: the newest, and the one it takes over from."""

orders = Table(
    "orders",
    metadata,
    Column("id", Uuid, primary_key=True),
    *_owner(),
    Column("created_at", UtcDateTime, nullable=False),
    Column("actor", PlainText, nullable=False),
    Column("quote_id", Uuid, ForeignKey("quotes.id"), nullable=False),
    Column("quote_revision", Integer, nullable=False),
    Column("supplier", PlainText, nullable=False),
    Column("state", PlainText, nullable=False),
    Column("version", Integer, nullable=False),
    Column("open_questions", Integer, nullable=False),
    Column("outcome", PlainText, nullable=False),
    # The exact bytes, last: a database's own JSON type would reorder keys, and a list never reads them.
    Column("document", LargeBinary, nullable=False),
    Column("standing", LargeBinary, nullable=False),
    CheckConstraint("outcome IN ('waiting', 'sent', 'undelivered', 'cancelled')", name="outcome"),
    Index(None, "shop_id", "mode", "created_at", "id"),
    Index(None, "shop_id", "mode", "quote_id"),
    Index(None, "shop_id", "mode", "state", "created_at", "id"),
)
"""What was ordered of whom; ``outcome`` is what became of the post, ``standing`` follows from it and the replies."""

order_replies = Table(
    "order_replies",
    metadata,
    Column("id", Uuid, primary_key=True),
    *_owner(),
    Column("order_id", Uuid, ForeignKey("orders.id"), nullable=False),
    Column("message_id", PlainText, nullable=False),
    Column("source", PlainText, nullable=False),
    Column("received_at", UtcDateTime, nullable=False),
    Column("actor", PlainText, nullable=False),
    Column("content", LargeBinary, nullable=False),
    UniqueConstraint("order_id", "message_id"),
    CheckConstraint("source IN ('callback', 'answer', 'person')", name="source"),
)
"""What suppliers said about orders, each message once."""

order_decisions = Table(
    "order_decisions",
    metadata,
    Column("order_id", Uuid, ForeignKey("orders.id"), primary_key=True),
    Column("message_id", PlainText, primary_key=True),
    Column("line", Integer, primary_key=True),
    Column("about", PlainText, primary_key=True),
    *_owner(),
    Column("at", UtcDateTime, nullable=False),
    Column("content", LargeBinary, nullable=False),
)
"""What was decided about what suppliers proposed, by rule or by a person; the first decision holds."""

order_changes = Table(
    "order_changes",
    metadata,
    Column("id", Uuid, primary_key=True),
    *_owner(),
    Column("order_id", Uuid, ForeignKey("orders.id"), nullable=False),
    Column("at", UtcDateTime, nullable=False),
    Column("actor", PlainText, nullable=False),
    Column("content", LargeBinary, nullable=False),
    Index(None, "shop_id", "mode", "order_id"),
)
"""What the shop told suppliers about orders it had placed, each as this service's own document."""

fit_reports = Table(
    "fit_reports",
    metadata,
    Column("id", Uuid, primary_key=True),
    *_owner(),
    Column("created_at", UtcDateTime, nullable=False),
    Column("actor", PlainText, nullable=False),
    Column("quote_id", Uuid, ForeignKey("quotes.id"), nullable=False),
    Column("quote_revision", Integer, nullable=False),
    Column("visit", PlainText, nullable=False),
    Column("outcome", PlainText, nullable=False),
    Column("spindle_length", Double, nullable=False),
    Column("crank", PlainText),
    Column("gtin", PlainText),
    Column("rings", Integer),
    Column("taper", PlainText),
    Column("offset_mm", Double),
    Column("offset_sd_mm", Double),
    Column("erased_at", UtcDateTime),
    # The exact bytes, last: a database's own JSON type would reorder keys, and learning never reads them.
    Column("request", LargeBinary, nullable=False),
    Column("result", LargeBinary, nullable=False),
    CheckConstraint("visit IN ('fitting', 'recheck')", name="visit"),
    CheckConstraint("outcome IN ('passed', 'missed')", name="outcome"),
    Index(None, "shop_id", "mode", "quote_id", "created_at", "id"),
    Index(None, "shop_id", "mode", "created_at", "id"),
)
"""What was measured once the crank was on, and what it was judged to say; lengths beside the bytes are in mm."""

exchanges = Table(
    "exchanges",
    metadata,
    Column("fit_report_id", Uuid, ForeignKey("fit_reports.id"), primary_key=True),
    *_owner(),
    Column("created_at", UtcDateTime, nullable=False),
    Column("actor", PlainText, nullable=False),
    Column("quote_id", Uuid, ForeignKey("quotes.id"), nullable=False),
    Column("spindle_length", Double, nullable=False),
    Column("order_id", Uuid, ForeignKey("orders.id")),
    Index(None, "shop_id", "mode", "quote_id"),
)
"""Which spindle was taken after a report that missed; without an order it came from the shop's own shelf."""

recheck_visits = Table(
    "recheck_visits",
    metadata,
    Column("quote_id", Uuid, ForeignKey("quotes.id"), primary_key=True),
    *_owner(),
    Column("created_at", UtcDateTime, nullable=False),
    Column("due_at", UtcDateTime, nullable=False),
    Column("state", PlainText, nullable=False),
    Column("version", Integer, nullable=False),
    Column("actor", PlainText, nullable=False),
    Column("changed_at", UtcDateTime, nullable=False),
    CheckConstraint("state IN ('scheduled', 'announced', 'done', 'cancelled')", name="state"),
    Index(
        "ix_recheck_visits_due_at_scheduled",
        "shop_id",
        "mode",
        "due_at",
        sqlite_where=text("state = 'scheduled'"),
        postgresql_where=text("state = 'scheduled'"),
    ),
    Index(None, "shop_id", "mode", "created_at", "quote_id"),
    Index(None, "shop_id", "mode", "state", "created_at", "quote_id"),
)
"""When each bicycle is to be looked at again."""

shared_offsets = Table(
    "shared_offsets",
    metadata,
    Column("id", Uuid, primary_key=True),
    Column("gtin", PlainText),
    Column("rings", Integer, nullable=False),
    Column("taper", PlainText, nullable=False),
    Column("offset_mm", Double, nullable=False),
    Column("offset_sd_mm", Double, nullable=False),
)
"""What shops gave of their cranks for all: nothing in a row leads back to a shop, a bicycle or a day."""

quote_runs = Table(
    "quote_runs",
    metadata,
    Column("id", Uuid, primary_key=True),
    *_owner(),
    Column("created_at", UtcDateTime, nullable=False),
    Column("actor", PlainText, nullable=False),
    Column("reference", PlainText),
    Column("bicycles_form", PlainText, nullable=False),
    Column("answers_form", PlainText, nullable=False),
    Column("derivation", Boolean, nullable=False),
    Column("state", PlainText, nullable=False),
    Column("version", Integer, nullable=False),
    Column("received_bytes", BigInteger, nullable=False),
    Column("received_all", Boolean, nullable=False),
    Column("bicycles", Integer, nullable=False),
    Column("quoted", Integer, nullable=False),
    Column("refused", Integer, nullable=False),
    Column("parts", Integer, nullable=False),
    Column("parts_done", Integer, nullable=False),
    Column("worked_since", UtcDateTime, nullable=False),
    Column("changed_at", UtcDateTime),
    Column("finished_at", UtcDateTime),
    Column("kept_until", UtcDateTime),
    Column("removed_at", UtcDateTime),
    CheckConstraint("bicycles_form IN ('json_lines', 'csv')", name="bicycles_form"),
    CheckConstraint("answers_form IN ('json_lines', 'csv')", name="answers_form"),
    CheckConstraint("state IN ('receiving', 'working', 'paused', 'finished', 'cancelled')", name="state"),
    CheckConstraint("parts_done <= parts", name="parts_done"),
    CheckConstraint(f"length(reference) <= {REFERENCE_LENGTH}", name="reference_length"),
    Index(
        "ix_quote_runs_worked",
        "shop_id",
        "mode",
        "id",
        sqlite_where=text("state IN ('receiving', 'working')"),
        postgresql_where=text("state IN ('receiving', 'working')"),
    ),
    Index(
        "ix_quote_runs_kept",
        "shop_id",
        "mode",
        "kept_until",
        sqlite_where=text("removed_at IS NULL"),
        postgresql_where=text("removed_at IS NULL"),
    ),
    Index(None, "shop_id", "mode", "created_at", "id"),
)
"""Bicycles quoted beside the calls: how far each run is, and until when its answers are kept."""

quote_run_inputs = Table(
    "quote_run_inputs",
    metadata,
    Column("run_id", Uuid, ForeignKey("quote_runs.id"), primary_key=True),
    *_owner(),
    Column("base_url", PlainText, nullable=False),
    Column("workshop", LargeBinary, nullable=False),
    Column("heading", LargeBinary, nullable=False),
    Column("left_over", LargeBinary, nullable=False),
)
"""What the bicycles of a run are quoted with, and what came in of them but makes no part yet.

Apart from ``quote_runs``, whose small rows are written at the end of each part.
"""

quote_run_parts = Table(
    "quote_run_parts",
    metadata,
    Column("run_id", Uuid, ForeignKey("quote_runs.id"), nullable=False),
    Column("number", Integer, nullable=False),
    *_owner(),
    Column("lines_before", BigInteger, nullable=False),
    Column("records_before", BigInteger, nullable=False),
    Column("bicycles", Integer, nullable=False),
    Column("state", PlainText, nullable=False),
    Column("attempts", Integer, nullable=False),
    Column("lease", Uuid),
    Column("leased_until", UtcDateTime),
    Column("ended_at", UtcDateTime),
    Column("question", LargeBinary),
    Column("answer", LargeBinary),
    PrimaryKeyConstraint("run_id", "number"),
    CheckConstraint("state IN ('waiting', 'done')", name="state"),
    Index(
        "ix_quote_run_parts_waiting",
        "run_id",
        "number",
        sqlite_where=text("state = 'waiting'"),
        postgresql_where=text("state = 'waiting'"),
    ),
    Index(None, "run_id", "ended_at"),
)
"""The bicycles of each run by the part, until they are answered, and then the answers; both compressed."""

event_counters = Table(
    "event_counters",
    metadata,
    *_owner(),
    Column("last", BigInteger, nullable=False),
    PrimaryKeyConstraint("shop_id", "mode"),
)
"""The position of each shop's last event: held to the end of the transaction, so that positions are seen in order."""

events = Table(
    "events",
    metadata,
    *_owner(),
    Column("position", BigInteger, nullable=False),
    Column("id", Uuid, nullable=False),
    Column("type", PlainText, nullable=False),
    Column("resource_kind", PlainText, nullable=False),
    Column("resource_id", PlainText, nullable=False),
    Column("sequence", Integer, nullable=False),
    Column("at", UtcDateTime, nullable=False),
    Column("body", LargeBinary, nullable=False),
    PrimaryKeyConstraint("shop_id", "mode", "position"),
    Index(None, "shop_id", "mode", "resource_kind", "resource_id", "position"),
)
"""What happened, numbered for each shop; ``body`` is what every subscriber is sent, byte for byte."""

deliveries = Table(
    "deliveries",
    metadata,
    Column("id", Uuid, primary_key=True),
    *_owner(),
    Column("receiver_kind", PlainText, nullable=False),
    Column("receiver_name", PlainText, nullable=False),
    Column("kind", PlainText, nullable=False),
    Column("subject_id", Uuid, nullable=False),
    Column("message_id", PlainText, nullable=False),
    Column("state", PlainText, nullable=False),
    Column("created_at", UtcDateTime, nullable=False),
    Column("due_at", UtcDateTime, nullable=False),
    Column("attempts", Integer, nullable=False),
    Column("round_began_after", Integer, nullable=False),
    Column("lease", Uuid),
    Column("leased_until", UtcDateTime),
    Column("finished_at", UtcDateTime),
    Column("erased_at", UtcDateTime),
    Column("content_type", PlainText, nullable=False),
    Column("body", LargeBinary, nullable=False),
    CheckConstraint("kind IN ('order', 'order_change', 'event')", name="kind"),
    CheckConstraint("state IN ('waiting', 'held', 'delivered', 'failed', 'cancelled')", name="state"),
    Index(
        "ix_deliveries_due_at_waiting",
        "due_at",
        sqlite_where=text("state = 'waiting'"),
        postgresql_where=text("state = 'waiting'"),
    ),
    Index(None, "shop_id", "mode", "created_at", "id"),
    Index(None, "shop_id", "mode", "subject_id"),
    Index(None, "shop_id", "mode", "receiver_kind", "receiver_name", "created_at", "id"),
)
"""The outbox, written in the transaction of what it tells of: what to post to whom, byte for byte, and when next.

A lease belongs to the worker that claimed the row, until it reports or the lease runs out; ``attempts`` counts claims,
``round_began_after`` how many there were when somebody last asked for a fresh try. From ``erased_at`` on the body of a
post to a supplier is empty: it held a customer's words, and is not posted again.
"""

delivery_attempts = Table(
    "delivery_attempts",
    metadata,
    Column("delivery_id", Uuid, ForeignKey("deliveries.id"), primary_key=True),
    Column("number", Integer, primary_key=True),
    *_owner(),
    Column("started_at", UtcDateTime, nullable=False),
    Column("ended_at", UtcDateTime, nullable=False),
    Column("status", Integer),
    Column("trouble", PlainText),
    Column("answer", LargeBinary),
)
"""What came of each try; ``answer`` is the beginning of what the receiver said."""
