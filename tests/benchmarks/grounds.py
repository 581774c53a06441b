"""Where benchmarks run: fresh databases of both kinds, and servers on them in processes of their own."""

import math
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from functools import cached_property
from pathlib import Path
from typing import Final, Literal, NamedTuple, Self

from tests import postgres, shops, sqlite
from tests.benchmarks import load, requests
from tests.benchmarks.machine import core, cpu_seconds, kept_to
from tests.command_line import environment

SERVER_CORE, CLIENT_CORE = 0, 1
START_SECONDS: Final = 60
Kind = Literal["SQLite", "PostgreSQL"]
KINDS: Final[tuple[Kind, ...]] = ("SQLite", "PostgreSQL")


class Size(NamedTuple):
    """How much a benchmark does.

    Attributes:
        rounds: of each thing measured, by turns; the best of them counts, as disturbances only add.
        requests: in each round.
        lines: of each stream whose memory is watched, shortest first.
        patience: seconds that one of them may take, but for the two shortest.
        rows: that lie behind in a large table.
        posts: that a worker makes.
    """

    rounds: int
    requests: int
    lines: tuple[int, ...]
    patience: float
    rows: tuple[int, ...]
    posts: int


NORMAL: Final = Size(3, 1000, (1_000, 10_000, 100_000), 240.0, (100_000, 1_000_000, 10_000_000), 5_000)
LONG: Final = NORMAL._replace(lines=(10_000, 100_000, 1_000_000), patience=math.inf)
SHORT: Final = Size(2, 100, (100, 1_000), 0.0, (20_000, 100_000), 300)
TINY: Final = Size(1, 8, (20, 40), 0.0, (2_000, 3_000), 20)
"""For the tests: whether it works, and nothing about time."""


class Place(NamedTuple):
    """A migrated database with two shops, and the process of its server, if it has one."""

    kind: Kind
    url: str
    shop: shops.Shop
    pids: tuple[int, ...]


class Cost(NamedTuple):
    """What one kind of request takes.

    Attributes:
        cpu: seconds on a core for each, of the server and of its database's.
        a_second: requests by the clock on the wall.
        answered: bytes of an answer, on average.
    """

    cpu: float
    a_second: float
    answered: float


class Running(NamedTuple):
    """A server that runs: its port, its process and the place it runs on."""

    port: int
    pid: int
    place: Place

    def costs(self, size: Size, *paths: str) -> list[Cost]:
        """What a request to each path takes; they are measured by turns, after some that only warm the server."""
        for path in paths:
            self._cost(path, min(size.requests, requests.BICYCLES))
        found: list[list[Cost]] = [[] for _ in paths]
        for _ in range(size.rounds):
            for path, costs in zip(paths, found, strict=True):
                costs.append(self._cost(path, size.requests))
        return [min(costs) for costs in found]

    def _cost(self, path: str, count: int) -> Cost:
        asked = [*requests.by_turns(path, self.place.shop.key, count)]
        families = (self.pid, *self.place.pids)
        before = cpu_seconds(*families)
        done = load.ask_all(self.port, asked)
        cpu = cpu_seconds(*families) - before
        return Cost(cpu / count, count / done.seconds, done.answered / count)


class Grounds:
    """Makes databases while its block runs, and starts PostgreSQL when one is first asked for.

    Args:
        folder: for files.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._open = ExitStack()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._open.close()

    @cached_property
    def _files(self) -> sqlite.Files:
        return sqlite.Files(self.folder)

    @cached_property
    def _own(self) -> postgres.Started:
        return self._open.enter_context(postgres.own_server())

    @cached_property
    def server(self) -> postgres.Server:
        """The server of PostgreSQL, started for this alone."""
        made = postgres.Server(self._own.url)
        made.prepare()
        return made

    def place(self, kind: Kind) -> Place:
        """A new database."""
        if kind == "SQLite":
            return Place(kind, self._files.create(), self._files.shops.a, ())
        return Place(kind, self.server.create(), self.server.shops.a, (self._own.pid,))


@contextmanager
def serving(app: str, place: Place, profile: Path | None = None) -> Iterator[Running]:
    """Run a server on a core of its own while the block runs on another."""
    more = [str(profile)] if profile else []
    served = program("tests.benchmarks.served", core(SERVER_CORE), app, place.url, *more)
    with served as (port, pid), kept_to(core(CLIENT_CORE)):
        yield Running(port, pid, place)


@contextmanager
def program(module: str, cores: set[int], *arguments: str) -> Iterator[tuple[int, int]]:
    """Run a module that serves on the port it is given first; gives that port and its process."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    command = (sys.executable, "-m", module, str(port), *arguments)
    with kept_to(cores):
        running = subprocess.Popen(command, env=environment(), stdout=subprocess.DEVNULL)  # noqa: S603 - this very program
    try:
        _wait_until_open(running, port)
        yield port, running.pid
    finally:
        running.terminate()
        running.wait(START_SECONDS)


def profiled(app: str, place: Place, path: str, count: int, folder: Path) -> tuple[str, ...]:
    """Where a server is while it answers that many requests."""
    asked = [*requests.by_turns(path, place.shop.key, count)]
    return profiled_by(app, place, lambda running: load.ask_all(running.port, asked), folder)


def profiled_by(app: str, place: Place, work: Callable[[Running], object], folder: Path) -> tuple[str, ...]:
    """Where a server is while it is worked on."""
    profile = folder / "profile.txt"
    with serving(app, place, profile) as running:
        work(running)
    return tuple(profile.read_text(encoding="utf-8").splitlines())


def _wait_until_open(running: "subprocess.Popen[bytes]", port: int) -> None:
    deadline = time.monotonic() + START_SECONDS
    while time.monotonic() < deadline and running.poll() is None:
        try:
            socket.create_connection(("127.0.0.1", port), 1).close()
        except ConnectionRefusedError:
            time.sleep(0.02)
        else:
            return
    raise RuntimeError("the server did not start")
