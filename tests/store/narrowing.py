"""What a step of migrations takes from code that does not know of it, and what it does to rows that are there.

Two looks at a database, before a step and after it, inside its transaction. What is new as a whole is nobody's.
"""

import re
from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from sqlalchemy import Connection, inspect, text


class Column(NamedTuple):
    """What a statement that leaves the column out, or fills it, depends on."""

    kind: str
    nullable: bool
    default: bool


class Look(NamedTuple):
    """A database as code meets it.

    Attributes:
        columns: of each table.
        rules: of each table: whatever can refuse a row or hide one, each with the columns it is about.
        work: on PostgreSQL, of each table: the file of its rows, and how often this transaction read and wrote them.
    """

    columns: Mapping[str, Mapping[str, Column]]
    rules: Mapping[str, Mapping[str, frozenset[str]]]
    work: Mapping[str, tuple[Any, ...]]


def look(connection: Connection) -> Look:
    """Look at every table but that of the revision."""
    found = inspect(connection)
    names = [name for name in found.get_table_names() if name != "alembic_version"]
    columns = {
        name: {
            each["name"]: Column(str(each["type"]), bool(each["nullable"]), each["default"] is not None)
            for each in found.get_columns(name)
        }
        for name in names
    }
    on_server = connection.dialect.name == "postgresql"
    return Look(
        columns,
        {name: dict(_rules(connection, name, columns[name])) for name in names},
        {row.name: tuple(row) for row in connection.execute(_WORK)} if on_server else {},
    )


def narrowed(before: Look, after: Look) -> Iterator[str]:
    """What code from before could do and cannot any more, in words."""
    for table, columns in before.columns.items():
        if table not in after.columns:
            yield f"{table} is gone"
            continue
        now = after.columns[table]
        new = now.keys() - columns.keys()
        yield from (f"{table}.{name} is gone" for name in columns if name not in now)
        for name in columns.keys() & now.keys():
            yield from (f"{table}.{name} {words}" for words in _narrower(columns[name], now[name]))
        yield from (f"{table}.{name} must be filled" for name in new if not (now[name].nullable or now[name].default))
        for rule, about in after.rules[table].items():
            allows = rule.startswith("policy")
            if rule not in before.rules[table] and not allows and not (about and about <= new):
                yield f"{table} has a new rule: {rule}"
        yield from (f"{table} lacks a policy: {rule}" for rule in _lost(before.rules[table], after.rules[table]))


def _narrower(before: Column, now: Column) -> Iterator[str]:
    if before.kind != now.kind:
        yield f"is {now.kind} and was {before.kind}"
    if before.nullable and not now.nullable:
        yield "must be filled"
    if before.default and not now.default and not now.nullable:
        yield "has no default any more"


def _lost(before: Mapping[str, object], now: Mapping[str, object]) -> list[str]:
    return [rule for rule in before if rule.startswith("policy") and rule not in now]


def worked(before: Look, after: Look) -> Iterator[str]:
    """Which tables that were there a step has read, written or built anew, and so held up."""
    for table, work in before.work.items():
        if table in after.work and after.work[table] != work:
            yield f"{table}: {after.work[table]} was {work}"


_WORK = text(
    "SELECT relname AS name, pg_relation_filenode(relid) AS file, coalesce(seq_scan, 0) AS read, "
    "coalesce(idx_scan, 0) AS looked_up, n_tup_ins, n_tup_upd, n_tup_del "
    "FROM pg_stat_xact_user_tables WHERE schemaname = current_schema() AND relname <> 'alembic_version'"
)
"""PostgreSQL 18 documentation, section 27.2.2. To build an index, check a rule or fill a column the rows are read."""

_POLICIES = text(
    "SELECT concat_ws(' ', 'policy', policyname, permissive, cmd, roles, qual, with_check) AS rule, permissive "
    "FROM pg_policies WHERE schemaname = current_schema() AND tablename = :name"
)
_WALLS = text(
    "SELECT relrowsecurity AS walled, relforcerowsecurity AS forced FROM pg_class "
    "WHERE relnamespace = current_schema()::regnamespace AND relname = :name"
)
_TRIGGERS = {
    "postgresql": text("SELECT tgname FROM pg_trigger WHERE tgrelid = CAST(:name AS regclass) AND NOT tgisinternal"),
    "sqlite": text("SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = :name"),
}


def _rules(connection: Connection, table: str, columns: Mapping[str, object]) -> Iterator[tuple[str, frozenset[str]]]:
    found = inspect(connection)
    key = found.get_pk_constraint(table)["constrained_columns"]
    yield f"key {key}", frozenset(key)
    for unique in found.get_unique_constraints(table):
        yield f"unique {sorted(unique['column_names'])}", frozenset(unique["column_names"])
    for index in found.get_indexes(table):
        if index["unique"]:
            yield (
                f"unique index {index['name']} {index['column_names']}",
                frozenset(filter(None, index["column_names"])),
            )
    for foreign in found.get_foreign_keys(table):
        words = f"refers {foreign['constrained_columns']} to {foreign['referred_table']}"
        yield words, frozenset(foreign["constrained_columns"])
    for check in found.get_check_constraints(table):
        words = str(check["sqltext"])
        yield f"check {words}", frozenset(name for name in columns if re.search(rf"\b{name}\b", words))
    for (name,) in connection.execute(_TRIGGERS[connection.dialect.name], {"name": table}):
        yield f"trigger {name}", frozenset()
    if connection.dialect.name == "postgresql":
        yield from _walls(connection, table)


def _walls(connection: Connection, table: str) -> Iterator[tuple[str, frozenset[str]]]:
    """Policies add up to what can be seen; the first, and one that restricts, hide what could be seen before."""
    walled, forced = connection.execute(_WALLS, {"name": table}).one()
    if walled or forced:
        yield f"walled {walled} {forced}", frozenset()
    for rule, permissive in connection.execute(_POLICIES, {"name": table}):
        if permissive != "PERMISSIVE":
            yield f"restricting {rule}", frozenset()
        else:
            yield rule, frozenset()
