"""What ``cotterline doctor`` finds: one function a matter, each reads and says what it saw and what to do."""

import shutil
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final, Literal, NamedTuple, TypeVar

import msgspec
from sqlalchemy import Executable, RowMapping, func, literal, or_, select, text

from cotterline.settings import Settings, networks_in
from cotterline.store import delivery_claims, migrate, quote_run_claims, receiver_secrets, shops
from cotterline.store.address import driver_url
from cotterline.store.cipher import Cipher, key_file
from cotterline.store.database import Database, ReadTransaction
from cotterline.store.tables import events, keys, receivers
from cotterline.store.tenancy import MODES, SERVICE, Party, Tenant, owned

Answer = TypeVar("Answer")
Weight = Literal["ok", "look", "wrong"]

LATE: Final = timedelta(minutes=5)
"""Since when something may be due before that is worth a look."""

FAR_TOO_LATE: Final = timedelta(hours=1)
CLOCK_LOOK: Final = timedelta(seconds=2)
CLOCK_WRONG: Final = timedelta(seconds=60)
"""Receivers refuse what is signed five minutes off (Standard Webhooks 1.0, "Verifying webhooks"): long before."""

KEY_SOON: Final = timedelta(days=14)
KEY_IDLE: Final = timedelta(days=180)
ROOM_LOOK: Final = 2 * 1024**3
ROOM_WRONG: Final = 256 * 1024**2
BESIDE: Final = 5
"""Connections that a process has beside its pool: what listens, migrates or backs up."""

OTHERS: Final = 0o077


class Finding(msgspec.Struct, frozen=True, kw_only=True):
    """One thing that was looked at.

    Attributes:
        about: which thing.
        weight: ``ok``, ``look`` (it works, and may not for long) or ``wrong`` (something does not work).
        found: what was seen.
        advice: what to do; empty where nothing is.
    """

    about: str
    weight: Weight
    found: str
    advice: str = ""


class Patient(NamedTuple):
    """What is looked at, and when."""

    settings: Settings
    database: Database
    now: datetime

    @property
    def on_sqlite(self) -> bool:
        """Whether its database is a file."""
        return driver_url(self.settings.database_url).get_backend_name() == "sqlite"

    @property
    def file(self) -> Path:
        """That file."""
        return Path(str(driver_url(self.settings.database_url).database))


async def tables(patient: Patient) -> AsyncIterator[Finding]:
    """Whether the database has this version's tables."""
    known = migrate.steps()
    at = await migrate.current(patient.settings.database_url)
    if at in known[-1:]:
        yield Finding(about="tables", weight="ok", found=f"at {at}, as this version has them")
    elif at is None or at in known:
        advice = "Back it up, then run `cotterline migrate`."
        yield Finding(about="tables", weight="wrong", found=f"at {at}, this version needs {known[-1]}", advice=advice)
    else:
        try:
            await migrate.pending(patient.settings.database_url)
            weight: Weight = "look"
        except migrate.OutgrownError:
            weight = "wrong"
        advice = "Replace this version by the one that migrated it."
        yield Finding(about="tables", weight=weight, found=f"at {at}, which this version does not know", advice=advice)


async def clock(patient: Patient) -> AsyncIterator[Finding]:
    """Whether this machine's clock agrees with the database's, and no event was told in the future."""
    newest = [row["at"] async for tenant, _ in _tenants(patient) for row in await _rows(patient, tenant, _last(tenant))]
    future = max(newest, default=patient.now) - patient.now
    if future > CLOCK_LOOK:
        found = f"an event is {future.total_seconds():.0f} s in the future"
        advice = "The clock was ahead, or was set back. Set it by a time server; what waits is put right by itself."
        yield Finding(about="clock", weight="look", found=found, advice=advice)
    if patient.on_sqlite:
        yield Finding(about="clock", weight="ok", found="this machine's is the only one")
        return
    (row,) = await _rows(patient, SERVICE, select(func.clock_timestamp().label("there")))
    ahead = patient.now - row["there"]
    weight: Weight = "wrong" if abs(ahead) > CLOCK_WRONG else "look" if abs(ahead) > CLOCK_LOOK else "ok"
    advice = "" if weight == "ok" else "Set both by a time server: receivers refuse what is signed minutes off."
    found = f"{ahead.total_seconds():+.1f} s from the database's"
    yield Finding(about="clock", weight=weight, found=found, advice=advice)


async def outbox(patient: Patient) -> AsyncIterator[Finding]:
    """Whether what is due is posted, and to whom nothing is."""
    lag = await _asked(patient, SERVICE, lambda tx: delivery_claims.lag(tx, patient.now))
    waits = patient.now - (lag.oldest or patient.now)
    weight: Weight = "wrong" if waits > FAR_TOO_LATE else "look" if waits > LATE else "ok"
    advice = "" if weight == "ok" else "Is a worker running? See its log; `cotterline worker` starts one."
    found = f"{lag.count} due" + (f", the oldest since {waits.total_seconds() / 60:.0f} min" if lag.count else "")
    yield Finding(about="outbox", weight=weight, found=found, advice=advice)
    async for tenant, name in _tenants(patient):
        off = select(receivers).where(owned(receivers, tenant), receivers.c.disabled_at.is_not(None))
        for row in await _rows(patient, tenant, off):
            found = f"{name}, {tenant.mode}: {row['kind']} {row['name']!r}: {row['disabled_why']}"
            advice = "The shop enables it once it is well; what waits is posted then."
            yield Finding(about="receiver", weight="look", found=found, advice=advice)


async def runs(patient: Patient) -> AsyncIterator[Finding]:
    """Whether somebody works on the runs."""
    lag = await _asked(patient, SERVICE, lambda tx: quote_run_claims.lag(tx, patient.now))
    waits = patient.now - (lag.oldest or patient.now)
    weight: Weight = "look" if waits > LATE else "ok"
    advice = "" if weight == "ok" else "Is a worker running? Its log names the parts it fails at."
    told = f", and nothing has come of one run for {waits.total_seconds() / 60:.0f} min" if advice else ""
    yield Finding(about="runs", weight=weight, found=f"{lag.parts} parts to be answered{told}", advice=advice)


async def api_keys(patient: Patient) -> AsyncIterator[Finding]:
    """Which keys end soon, and which nobody uses."""
    live = 0
    async for tenant, name in _tenants(patient):
        ends = keys.c.expires_at
        alive = select(keys).where(
            owned(keys, tenant),
            keys.c.revoked_at.is_(None),
            or_(ends.is_(None), ends > literal(patient.now, ends.type)),
        )
        for row in await _rows(patient, tenant, alive):
            live += 1
            about = f"{name}, {tenant.mode}: {row['label']!r} ({row['id']})"
            used = row["last_used_at"] or row["created_at"]
            if row["expires_at"] is not None and row["expires_at"] - patient.now < KEY_SOON:
                advice = "Issue one more with the same label, put it in place, then let this one end."
                found = f"{about} ends in {(row['expires_at'] - patient.now).days} days"
                yield Finding(about="key", weight="look", found=found, advice=advice)
            elif patient.now - used > KEY_IDLE:
                found = f"{about} was not used for {(patient.now - used).days} days"
                yield Finding(about="key", weight="look", found=found, advice="Revoke it if nobody needs it.")
    yield Finding(about="keys", weight="ok", found=f"{live} live")


async def secrets(patient: Patient) -> AsyncIterator[Finding]:
    """Whether every secret that is kept opens with the keys given."""
    url, given = patient.settings.database_url, patient.settings.secret_keys
    cipher = Cipher.of(url, given) if given or key_file(url).exists() else Cipher([])  # which makes no key here
    found: list[bool] = []
    async for tenant, _ in _tenants(patient):
        found += await _asked(patient, tenant, lambda tx: receiver_secrets.openings(tx, cipher))
    if not all(found):
        advice = "Add the key they were encrypted with to COTTERLINE_SECRET_KEYS, behind the newest."
        told = f"{found.count(False)} of {len(found)} do not open"
        yield Finding(about="secrets", weight="wrong", found=told, advice=advice)
    elif patient.on_sqlite or patient.settings.secret_keys:
        yield Finding(about="secrets", weight="ok", found=f"{len(found)}, and all open")
    else:
        advice = "Run `cotterline secrets key` and set COTTERLINE_SECRET_KEYS for every process."
        yield Finding(about="secrets", weight="look", found="no key is set, so none can be kept", advice=advice)


async def room(patient: Patient) -> AsyncIterator[Finding]:
    """Whether the disk has room, and whether others may read the files."""
    if not patient.on_sqlite:
        (row,) = await _rows(patient, SERVICE, select(func.pg_database_size(func.current_database()).label("size")))
        found = f"the database takes {_told(row['size'])}; how much is free only its own machine knows"
        yield Finding(about="room", weight="ok", found=found)
        return
    free, size = shutil.disk_usage(patient.file.resolve().parent).free, patient.file.stat().st_size
    weight: Weight = "wrong" if free < ROOM_WRONG else "look" if free < max(ROOM_LOOK, size) else "ok"
    advice = "" if weight == "ok" else "Make room: a full disk refuses every change. A backup needs some as well."
    found = f"the database takes {_told(size)}, {_told(free)} are free"
    yield Finding(about="room", weight=weight, found=found, advice=advice)
    for file in (patient.file, key_file(patient.settings.database_url)):
        if file.exists() and file.stat().st_mode & OTHERS:
            advice = f"chmod 600 {file}"
            yield Finding(about="files", weight="look", found=f"others may read {file}", advice=advice)


async def connections(patient: Patient) -> AsyncIterator[Finding]:
    """Whether the database has connections for this process."""
    if patient.on_sqlite:
        return
    (row,) = await _rows(patient, SERVICE, _CONNECTIONS)
    most, kept, open_now = row["most"], row["kept"], row["open"]
    wanted = patient.settings.database_connections + BESIDE
    tight = wanted > most - kept
    found = f"{open_now} of {most} open; each process opens up to {wanted}"
    advice = "Lower COTTERLINE_DATABASE_CONNECTIONS or raise max_connections." if tight else ""
    yield Finding(about="connections", weight="wrong" if tight else "ok", found=found, advice=advice)


def exposure(settings: Settings) -> Iterator[Finding]:
    """Whether settings of a trial are in force where others can reach the service."""
    for what, seen, advice in _odd(settings):
        yield Finding(about=what, weight="look", found=seen, advice=advice)
    yield Finding(about="settings", weight="ok", found="can be used")


def _odd(settings: Settings) -> Iterator[tuple[str, str, str]]:
    reached = settings.public_base_url or settings.host not in {"127.0.0.1", "::1", "localhost"}
    if settings.practice_supplier and reached:
        yield "settings", "a practice supplier is set", "Unset COTTERLINE_PRACTICE_SUPPLIER where shops work."
    wide = any(network.prefixlen == 0 or network.is_loopback for network in networks_in(settings.open_networks))
    if wide and reached:
        advice = "Name only the networks of your own suppliers in COTTERLINE_OPEN_NETWORKS."
        yield "settings", "this machine or every network may be posted to", advice
    if settings.public_base_url.startswith("http:"):
        advice = "Put a proxy with TLS in front, and its https address into COTTERLINE_PUBLIC_BASE_URL."
        yield "settings", "links are given out without TLS", advice
    if reached and not settings.metrics_token:
        yield "settings", "nobody can watch the counters", "Set COTTERLINE_METRICS_TOKEN and have them read."


LOOKS: Final[Sequence[Callable[[Patient], AsyncIterator[Finding]]]] = (
    clock, outbox, runs, api_keys, secrets, room, connections,
)  # fmt: skip
"""What is looked at once the tables are there, in this order."""


_CONNECTIONS: Final = text(
    "SELECT current_setting('max_connections')::int AS most,"
    " current_setting('superuser_reserved_connections')::int AS kept,"
    " (SELECT sum(numbackends)::int FROM pg_stat_database) AS open"
)


def _last(tenant: Tenant) -> Executable:
    return select(events.c.at).where(owned(events, tenant)).order_by(events.c.position.desc()).limit(1)


async def _tenants(patient: Patient) -> AsyncIterator[tuple[Tenant, str]]:
    for shop in await _asked(patient, SERVICE, shops.every):
        for mode in MODES:
            yield Tenant(shop.id, mode), shop.name


async def _rows(patient: Patient, party: Party, statement: Executable) -> Sequence[RowMapping]:
    return await _asked(patient, party, lambda tx: tx.rows(statement))


async def _asked(patient: Patient, party: Party, ask: Callable[[ReadTransaction], Awaitable[Answer]]) -> Answer:
    async with patient.database.read(party) as tx:
        return await ask(tx)


def _told(size: float) -> str:
    """Bytes in words.

    >>> _told(3 * 1024**2)
    '3.0 MiB'
    """
    return f"{size / 1024**3:.1f} GiB" if size >= 1024**3 else f"{size / 1024**2:.1f} MiB"
