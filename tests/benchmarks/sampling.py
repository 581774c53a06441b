"""Where a program spends its time: what it is at, looked up after every few milliseconds it was on a core.

The look is a signal's, which finds the main thread wherever it is. A thread that looked would mostly find it where it
lets go of the interpreter: at the network.
"""

import signal
import sys
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from types import FrameType
from typing import Final

SECONDS: Final = 0.004
MOST: Final = 12
"""Packages and functions that are told."""

IDLE: Final = {
    ("thread.py", "_worker"),
    ("threading.py", "wait"),
    ("threading.py", "_wait_for_tstate_lock"),
    ("runners.py", "run"),
    ("selectors.py", "select"),
    ("_asyncio.py", "run"),
    ("core.py", "_connection_worker_thread"),
    ("core.py", "run"),
}
"""Where a thread that has nothing to do stands: file and function."""


class Sampler:
    """Looks at the main thread, or at the others while it has nothing to do, until it is stopped.

    Args:
        ready: whether there is anything to be seen yet.
    """

    def __init__(self, ready: Callable[[], bool]) -> None:
        self.looks = 0
        self._ready = ready
        self._inner: Counter[str] = Counter()
        self._outer: Counter[str] = Counter()

    def start(self) -> None:
        """Begin; only in the main thread."""
        signal.signal(signal.SIGPROF, self._look)
        signal.setitimer(signal.ITIMER_PROF, SECONDS, SECONDS)

    def stop(self) -> None:
        """Look no more."""
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, signal.SIG_IGN)

    def told(self) -> Iterator[str]:
        """Packages and functions most often met at work, and functions of the service with all they called."""
        yield f"{self.looks} looks, one every {SECONDS * 1000:g} ms on a core"
        packages: Counter[str] = Counter()
        for name, times in self._inner.items():
            packages[name.partition("/")[0] if "/" in name else "standard library"] += times
        own = Counter({name: times for name, times in self._outer.items() if name.startswith("cotterline/")})
        for words, counted in (("in", packages), ("in itself", self._inner), ("in or below", own)):
            yield from (f"{times / self.looks:6.1%} {words} {name}" for name, times in counted.most_common(MOST))

    def _look(self, _signal: int, frame: FrameType | None) -> None:
        if not self._ready():
            return
        if frame is not None and not _idle(frame):
            self._count(frame)
            return
        others = {thread: found for thread, found in sys._current_frames().items() if thread != threading.get_ident()}
        for found in others.values():
            if not _idle(found):
                self._count(found)

    def _count(self, frame: FrameType) -> None:
        self.looks += 1
        self._inner[_name(frame)] += 1
        self._outer.update({_name(each) for each in _stack(frame)})


def _stack(frame: FrameType) -> Iterator[FrameType]:
    above: FrameType | None = frame
    while above is not None:
        yield above
        above = above.f_back


def _idle(frame: FrameType) -> bool:
    return (Path(frame.f_code.co_filename).name, frame.f_code.co_name) in IDLE


def _name(frame: FrameType) -> str:
    """A function by its file, from the package on."""
    parts = Path(frame.f_code.co_filename).parts
    below = next((place + 1 for place, part in enumerate(parts) if part in {"site-packages", "service"}), -1)
    return f"{'/'.join(parts[below:])}:{frame.f_code.co_qualname}"
