"""One host: a server and a worker, real processes in the host's namespace."""

import contextlib
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Final, Literal

import httpx

from tests.command_line import environment
from tests.faults.clocks import Clock
from tests.faults.network import Cable

Role = Literal["server", "worker"]
COMMANDS: Final[Mapping[Role, str]] = {"server": "serve", "worker": "worker"}
BEGUN: Final = b"Ctrl-C stops it."
"""What each says once it has found the database."""

PORT: Final = 8000
SECONDS: Final = 60


class Host:
    """A server and a worker that can be killed and started again.

    Args:
        cable: what joins it to the outside.
        folder: where its processes log.
        settings: of the service.
    """

    def __init__(self, cable: Cable, folder: Path, settings: Mapping[str, str]) -> None:
        self.cable = cable
        self.clock = Clock(folder / f"{cable.namespace}.clock")
        self.address = f"http://{cable.address}:{PORT}"
        self._folder = folder
        served = {
            "COTTERLINE_HOST": cable.address,
            "COTTERLINE_PORT": str(PORT),
            "COTTERLINE_RATE_PER_MINUTE": "0",
            "COTTERLINE_SHOP_RATE_PER_MINUTE": "0",
            "COTTERLINE_WORKER": "off",
            **settings,
        }
        self._environment = environment(**served) | self.clock.environment
        self._running: dict[Role, subprocess.Popen[bytes]] = {}
        self._said: dict[Role, int] = {}
        self._ended: list[Role] = []

    def start(self, role: Role) -> None:
        """Start one of its processes."""
        log = self._log(role)
        log.touch()
        self._said[role] = log.stat().st_size
        program = ("ip", "netns", "exec", self.cable.namespace, sys.executable, "-P", "-m", "cotterline.cli")
        with log.open("ab") as written:
            self._running[role] = subprocess.Popen(  # noqa: S603 - this very program
                [*program, COMMANDS[role]], env=self._environment, stdout=written, stderr=written
            )

    def kill(self, role: Role) -> None:
        """End one of its processes without a warning."""
        process = self._running.pop(role)
        if process.poll() is not None:
            self._ended.append(role)
        process.kill()
        process.wait(SECONDS)

    def set_right(self) -> None:
        """Undo whatever was done to it, and return when all of it is at work.

        Else a process might find no database while it starts, and give up: that is for who starts it again, not for us.
        """
        self.cable.mend()
        self.clock.step(0)
        for role in COMMANDS.keys() - self._running.keys():
            self.start(role)
        self.wait_until_ready()

    def has_ended(self) -> list[Role]:
        """Which of its processes ended by themselves, though they should run."""
        return [*self._ended, *(role for role, process in self._running.items() if process.poll() is not None)]

    def memory(self) -> dict[Role, int]:
        """What each process that runs holds in memory by itself, in KB (proc(5), RssAnon)."""
        found = {role: _held(process.pid) for role, process in [*self._running.items()]}
        return {role: kilobytes for role, kilobytes in found.items() if kilobytes is not None}

    def wait_until_ready(self) -> None:
        """Return when its server answers and its worker works.

        Raises:
            RuntimeError: not within a minute.
        """
        deadline = time.monotonic() + SECONDS
        while time.monotonic() < deadline:
            with contextlib.suppress(httpx.TransportError):
                if self._all_have_begun() and httpx.get(f"{self.address}/health/live").is_success:
                    return
            time.sleep(0.1)
        raise RuntimeError(f"{self.cable.namespace} did not start")

    def _all_have_begun(self) -> bool:
        return all(BEGUN in self._log(role).read_bytes()[said:] for role, said in self._said.items())

    def _log(self, role: Role) -> Path:
        return self._folder / f"{self.cable.namespace}-{role}.log"


@contextlib.contextmanager
def running(cable: Cable, folder: Path, settings: Mapping[str, str]) -> Iterator[Host]:
    """Run a host until the block ends; kill its processes then."""
    host = Host(cable, folder, settings)
    try:
        host.start("server")
        host.start("worker")
        host.wait_until_ready()
        yield host
    finally:
        for role in [*host._running]:
            host.kill(role)


def _held(pid: int) -> int | None:
    """KB, or none where it was killed."""
    with contextlib.suppress(FileNotFoundError, ProcessLookupError):
        for line in Path(f"/proc/{pid}/status").read_text().splitlines():
            if line.startswith("RssAnon:"):
                return int(line.split()[1])
    return None
