"""Where a program spends its time: what each of its threads is at, looked up a few hundred times a second."""

import sys
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from types import FrameType
from typing import Final

SECONDS: Final = 0.004
MOST: Final = 15
"""Functions that are told."""

IDLE: Final = {
    ("thread.py", "_worker"),
    ("threading.py", "wait"),
    ("runners.py", "run"),
    ("selectors.py", "select"),
    ("_asyncio.py", "run"),
    ("core.py", "_connection_worker_thread"),
    ("core.py", "run"),
}
"""Where a thread that has nothing to do stands: file and function."""


class Sampler:
    """Looks at every thread but its own, until it is stopped.

    Args:
        ready: whether there is anything to be seen yet.
    """

    def __init__(self, ready: Callable[[], bool]) -> None:
        self._ready = ready
        self.looks = 0
        self._inner: Counter[str] = Counter()
        self._outer: Counter[str] = Counter()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """Look no more."""
        self._over.set()
        self._thread.join()

    def told(self) -> Iterator[str]:
        """The functions most often met: at work themselves, and at work or waiting for what they called."""
        yield f"{self.looks} looks at a thread at work, one every {SECONDS * 1000:g} ms"
        for words, counted in (("itself", self._inner), ("with all it calls", self._outer)):
            yield from (f"{times / self.looks:6.1%} {words}: {name}" for name, times in counted.most_common(MOST))

    def _run(self) -> None:
        own = threading.get_ident()
        while not self._over.wait(SECONDS):
            for thread, frame in sys._current_frames().items() if self._ready() else ():
                if thread != own and not _idle(frame):
                    self._count(frame)

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
