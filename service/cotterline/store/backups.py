"""A whole database as lines of JSON, the same for SQLite and PostgreSQL, and an empty database filled from them.

The first line says what this is and which migration its tables are at. Then come the rows, shop by shop in one mode
after the other: a line names the tenant, a line a table and the kinds of its columns, and each row is an array. The
last line holds how many rows there are and the SHA-256 of every line before it (FIPS 180-4, 2015). A database is read
in one transaction, so it is as it was at one moment, and filled in one: whole or not at all.
"""

import hashlib
from collections.abc import AsyncIterator, Mapping, Sequence
from datetime import datetime
from typing import Any, Final, NamedTuple
from uuid import UUID

import msgspec
from sqlalchemy import (
    BigInteger,
    Boolean,
    ColumnElement,
    Connection,
    Double,
    Integer,
    LargeBinary,
    Table,
    Uuid,
    column,
    insert,
    select,
    table,
)
from sqlalchemy.exc import DataError, IntegrityError
from sqlalchemy.ext.asyncio import AsyncConnection
from sqlalchemy.types import TypeEngine

import cotterline
from cotterline.store import engines, migrate
from cotterline.store.address import driver_url
from cotterline.store.columns import PlainText, UtcDateTime
from cotterline.store.tables import metadata, shared_offsets, shops
from cotterline.store.tenancy import ENTER, MODES, SERVICE, Mode, Tenant, owned, settings

FORM: Final = "cotterline backup 1"
"""What the first line says this is. Whoever changes the lines counts it up."""


class BackupError(Exception):
    """Why a database cannot be read or filled, in words for its operator; no call over HTTP meets it."""


BATCH_ROWS: Final = 200
BATCH_BYTES: Final = 4 * 1024 * 1024
"""What is put into a database at once, at most; a row may be longer by itself."""


class _Kind(NamedTuple):
    """How a column's values are kept: its type in the database and in Python."""

    column: type[TypeEngine[Any]]
    value: type


_KINDS: Final[Mapping[str, _Kind]] = {
    "id": _Kind(Uuid, UUID),
    "text": _Kind(PlainText, str),
    "instant": _Kind(UtcDateTime, datetime),
    "bytes": _Kind(LargeBinary, bytes),
    "whole": _Kind(BigInteger, int),
    "number": _Kind(Double, float),
    "flag": _Kind(Boolean, bool),
}
_NAMES: Final[Mapping[type, str]] = {kind.column: name for name, kind in _KINDS.items()} | {Integer: "whole"}


class _Line(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, tag_field="line"):
    """One line that is no row."""


class Head(_Line, frozen=True, tag="backup"):
    """The first line.

    Attributes:
        form: what this is.
        revision: the migration that the tables are at.
        made_at: when it was begun.
        version: of the service that made it.
    """

    form: str
    revision: str
    made_at: datetime
    version: str


class _Owner(_Line, frozen=True, tag="tenant"):
    shop: UUID
    mode: Mode


class _Heading(_Line, frozen=True, tag="table"):
    name: str
    columns: dict[str, str]


class End(_Line, frozen=True, tag="end"):
    """The last line: how many rows there are, and the digest of every line before."""

    rows: int
    sha256: str


class _Tally:
    """Goes along with the lines, for the last one."""

    def __init__(self) -> None:
        self._rows = 0
        self._digest = hashlib.sha256()

    def add(self, line: bytes) -> None:
        """Take one line."""
        self._digest.update(line)
        self._rows += line.startswith(b"[")

    @property
    def end(self) -> End:
        """What the last line says of those so far."""
        return End(rows=self._rows, sha256=self._digest.hexdigest())


class Filled(msgspec.Struct, frozen=True):
    """What a database was filled with.

    Attributes:
        head: of the backup.
        rows: how many were put in.
        stopped: receivers that nothing is posted to until they are enabled again.
    """

    head: Head
    rows: int
    stopped: int


async def lines(url: str, now: datetime) -> AsyncIterator[bytes]:
    """Yield a database's lines, each with its line feed; those who use it go on meanwhile.

    Raises:
        BackupError: the database is not at this version's migration.
    """
    engine = engines.copier(driver_url(url))
    try:
        async with engine.connect() as connection, connection.begin():
            revision = await connection.run_sync(migrate.revision_of)
            if revision != migrate.steps()[-1]:
                raise BackupError(f"the database is at {revision}: run `cotterline migrate`")
            head = Head(form=FORM, revision=revision, made_at=now, version=cotterline.__version__)
            tally = _Tally()
            async for line in _contents(connection, head):
                tally.add(line)
                yield line
            yield _line(tally.end)
    except OSError as error:  # whoever writes the lines to a file has such errors of his own
        raise BackupError(f"it cannot be reached: {error}") from error
    finally:
        await engine.dispose()


async def fill(url: str, given: AsyncIterator[bytes], *, stopped: str = "", at: datetime) -> Filled:
    """Fill an empty database with lines and bring it to this version's tables.

    Args:
        url: the database; nothing was ever migrated in it.
        given: a backup's lines.
        stopped: why nothing is posted to any receiver until it is enabled; empty to go on posting.
        at: since when.

    Raises:
        BackupError: the database is not empty, or the lines are not whole, are
            damaged or are a later version's. Nothing is kept of them then.
    """
    engine = engines.migrator(driver_url(url))
    try:
        async with engine.begin() as connection:
            if await connection.run_sync(migrate.revision_of) is not None:
                raise BackupError("the database is not empty: name one that nothing was ever kept in")
            filled = await _Filling(connection, stopped, at).fill(_checked(given))
            await connection.run_sync(_completed)
            return filled
    except (DataError, IntegrityError) as error:
        raise BackupError(f"its rows do not hang together: {error.orig}") from error
    finally:
        await engine.dispose()


def _completed(connection: Connection) -> None:
    """Bring what was filled to this version's tables, and see that no row lacks the one it refers to."""
    if connection.dialect.name == "sqlite" and connection.exec_driver_sql("PRAGMA foreign_key_check").all():
        raise BackupError("it lacks rows that others refer to")
    migrate.step_to(connection, "head")


async def _contents(connection: AsyncConnection, head: Head) -> AsyncIterator[bytes]:
    yield _line(head)
    first = True
    async for tenant in _tenants(connection):
        yield _line(_Owner(shop=tenant.shop, mode=tenant.mode))
        for each in metadata.sorted_tables:
            condition = _condition(each, tenant, first=first)
            if condition is not None:
                async for line in _rows(connection, each, condition):
                    yield line
        first = False


async def _tenants(connection: AsyncConnection) -> AsyncIterator[Tenant]:
    """Enter one tenant after the other; PostgreSQL shows their rows to nobody else."""
    await _enter(connection, settings(SERVICE))
    names = (await connection.execute(select(shops.c.id).order_by(shops.c.id))).scalars().all()
    for tenant in (Tenant(name, mode) for name in names for mode in MODES):
        await _enter(connection, settings(tenant))
        yield tenant


def _condition(rows: Table, tenant: Tenant, *, first: bool) -> ColumnElement[bool] | None:
    """Which rows of a table come with a tenant; None where none do."""
    if "shop_id" in rows.c:
        return owned(rows, tenant)
    if rows is shops:
        return shops.c.id == tenant.shop if tenant.mode == MODES[0] else None
    if rows is not shared_offsets:
        raise RuntimeError(f"nobody has said whose {rows.name} are")
    return shared_offsets.c.id.is_not(None) if first else None


async def _rows(connection: AsyncConnection, rows: Table, condition: ColumnElement[bool]) -> AsyncIterator[bytes]:
    heading = _line(_Heading(name=str(rows.name), columns={str(each.name): _NAMES[type(each.type)] for each in rows.c}))
    found = await connection.stream(select(rows).where(condition).order_by(*rows.primary_key))
    async for row in found:
        if heading:
            yield heading
            heading = b""
        yield _line(tuple(row))


async def _enter(connection: AsyncConnection, party: Mapping[str, str]) -> None:
    if connection.dialect.name == "postgresql":
        await connection.execute(ENTER, party)


def _line(told: object) -> bytes:
    return msgspec.json.encode(told) + b"\n"


def _told(line: bytes) -> object:
    """What a line that is no row says; None where it says nothing that is known."""
    try:
        return msgspec.json.decode(line, type=Head | _Owner | _Heading | End)
    except msgspec.DecodeError:
        return None


async def _checked(given: AsyncIterator[bytes]) -> AsyncIterator[bytes]:
    """Yield all lines but the last, which must say what came before it."""
    tally, last = _Tally(), b""
    async for line in given:
        if last:
            tally.add(last)
            yield last
        last = line
    if _told(last) != tally.end:
        raise BackupError("it is damaged, or ends too early")


class _Filling:
    """Puts lines into a database, inside one transaction of its own."""

    def __init__(self, connection: AsyncConnection, stopped: str, at: datetime) -> None:
        self._connection = connection
        self._stopped = stopped
        self._at = at
        self._rows = self._stopped_receivers = 0

    async def fill(self, given: AsyncIterator[bytes]) -> Filled:
        """Make the tables of the backup's own migration and put its rows in."""
        head = await self._headed(_told(await anext(given, b"")))
        batch: _Batch | None = None
        async for line in given:
            if batch is not None and line.startswith(b"["):
                batch.add(line)
                if batch.full:
                    await self._put(batch)
                continue
            await self._put(batch)
            match _told(line):
                case _Owner(shop=shop, mode=mode):
                    batch = None
                    await _enter(self._connection, settings(Tenant(shop, mode)))
                case _Heading() as heading:
                    batch = _Batch(heading)
                case _:
                    raise BackupError("it is damaged")
        await self._put(batch)
        return Filled(head, self._rows, self._stopped_receivers)

    async def _headed(self, head: object) -> Head:
        if not isinstance(head, Head) or head.form != FORM:
            raise BackupError("it is no backup, or of a form that this version does not read")
        if head.revision not in migrate.steps():
            raise BackupError(f"it is at {head.revision}, which this version does not know: take a later version")
        await self._connection.run_sync(lambda each: migrate.step_to(each, head.revision))
        return head

    async def _put(self, batch: "_Batch | None") -> None:
        rows = batch.taken() if batch else []
        if not batch or not rows:
            return
        if batch.name == "receivers" and self._stopped:
            rows = [self._at_rest(row) for row in rows]
        await self._connection.execute(insert(batch.table), rows)
        self._rows += len(rows)

    def _at_rest(self, row: Mapping[str, object]) -> dict[str, object]:
        """A receiver that nothing is posted to until somebody enables it."""
        if row["disabled_at"] is not None:
            return {**row}
        self._stopped_receivers += 1
        return {**row, "disabled_at": self._at, "disabled_why": self._stopped}


class _Batch:
    """Rows of one table that are put in together."""

    def __init__(self, heading: _Heading) -> None:
        if unknown := {*heading.columns.values()} - {*_KINDS}:
            raise BackupError(f"{heading.name} has columns of no kind that is known: {', '.join(sorted(unknown))}")
        self.name = heading.name
        self._names = [*heading.columns]
        kinds = [_KINDS[kind] for kind in heading.columns.values()]
        columns = (column(name, kind.column()) for name, kind in zip(self._names, kinds, strict=True))
        self.table = table(heading.name, *columns)
        optional: list[Any] = [kind.value | None for kind in kinds]
        self._decoder: msgspec.json.Decoder[tuple[object, ...]] = msgspec.json.Decoder(tuple[*optional])  # type: ignore[valid-type] # made of what the heading says
        self._rows: list[dict[str, object]] = []
        self._bytes = 0

    @property
    def full(self) -> bool:
        """Whether no more should be kept waiting."""
        return len(self._rows) >= BATCH_ROWS or self._bytes >= BATCH_BYTES

    def add(self, line: bytes) -> None:
        """Take one row's line."""
        try:
            values = self._decoder.decode(line)
        except msgspec.DecodeError as error:
            raise BackupError(f"a row of {self.name} cannot be read: {error}") from error
        self._rows.append(dict(zip(self._names, values, strict=True)))
        self._bytes += len(line)

    def taken(self) -> Sequence[dict[str, object]]:
        """Give the rows away."""
        rows, self._rows, self._bytes = self._rows, [], 0
        return rows
