"""What the kernel counts of a process: seconds it was on a core, and memory it holds; and which core it runs on.

A client on the same machine takes its share of it. So the server and the client have a core each, where there are two,
and what is compared is the server's time on its core: it does not grow because somebody else was busy.
"""

import os
import platform
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Final

TICKS: Final = os.sysconf("SC_CLK_TCK")
PROCESSES: Final = Path("/proc")
CORES: Final = sorted(os.sched_getaffinity(0))
"""Those of this program when it began; it may have kept itself to fewer since."""


def described(day: date) -> str:
    """The machine in a sentence, and when it was measured."""
    model = next((line for line in Path("/proc/cpuinfo").read_text().splitlines() if line.startswith("model name")), "")
    gib = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") / 1024**3
    return (
        f"The machine: {os.cpu_count()} cores of {model.partition(': ')[2] or platform.machine()}, {gib:.0f} GiB, "
        f"{platform.system()}, Python {platform.python_version()}; measured on {day.isoformat()}."
    )


def core(number: int) -> set[int]:
    """The core for one of several programs that work at once; they share where there are fewer cores."""
    return {CORES[number % len(CORES)]}


@contextmanager
def kept_to(cores: set[int]) -> Iterator[None]:
    """Run this process on these cores while the block runs."""
    before = os.sched_getaffinity(0)
    os.sched_setaffinity(0, cores)
    try:
        yield
    finally:
        os.sched_setaffinity(0, before)


def cpu_seconds(*families: int) -> float:
    """Time on a core of these processes and all below them; of those below that have ended, to a tick."""
    pids = {each for pid in families for each in family(pid)}
    return sum(map(_on_core, pids)) + sum(map(_of_the_ended, families))


def family(pid: int) -> Iterator[int]:
    """A process and every living one below it."""
    yield pid
    for task in _tasks(pid):
        for child in _read(task / "children").split():
            yield from family(int(child))


def memory(pid: int) -> int:
    """Bytes a process holds in memory."""
    return _kib(pid, "VmRSS") * 1024


def peak_memory(pid: int) -> int:
    """The most bytes a process has held in memory."""
    return _kib(pid, "VmHWM") * 1024


def _tasks(pid: int) -> Iterable[Path]:
    folder = PROCESSES / str(pid) / "task"
    return folder.iterdir() if folder.is_dir() else ()


def _on_core(pid: int) -> float:
    # The clock of another process's time, as clock_getcpuclockid(3) makes its number on Linux.
    try:
        return time.clock_gettime((~pid << 3) | 2)
    except OSError:  # it has ended since
        return 0.0


def _of_the_ended(pid: int) -> float:
    # After the name, which may hold anything, come the state and 49 numbers: proc(5), /proc/pid/stat.
    after_name = _read(PROCESSES / str(pid) / "stat").rpartition(") ")[2].split()
    return sum(map(int, after_name[13:15])) / TICKS


def _kib(pid: int, name: str) -> int:
    lines = _read(PROCESSES / str(pid) / "status").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(f"{name}:"))


def _read(file: Path) -> str:
    try:
        return file.read_text()
    except (FileNotFoundError, ProcessLookupError):  # it has ended since
        return ""
