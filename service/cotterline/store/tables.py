"""The tables. One file of queries bears each table's name; the migrations build the same tables step by step."""

from sqlalchemy import CheckConstraint, Column, Index, LargeBinary, MetaData, Table, Uuid

from cotterline.store.columns import PlainText, UtcDateTime

REFERENCE_LENGTH = 200
"""Longest reference a shop may give a quote, in characters."""

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

quotes = Table(
    "quotes",
    metadata,
    Column("id", Uuid, primary_key=True),
    Column("created_at", UtcDateTime, nullable=False),
    Column("reference", PlainText),
    Column("verdict_state", PlainText, nullable=False),
    Column("leading_family", PlainText),
    Column("core_version", PlainText, nullable=False),
    # The exact bytes, last: a database's own JSON type would reorder keys, and a list never reads them.
    Column("request", LargeBinary, nullable=False),
    Column("result", LargeBinary, nullable=False),
    CheckConstraint(f"length(reference) <= {REFERENCE_LENGTH}", name="reference_length"),
    Index(None, "created_at", "id"),
)
"""One calculated job: what was asked, what was answered, and the version of the core that answered."""
