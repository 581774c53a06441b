"""Memory of the hosts' processes over time, and how fast it grows once they are warm."""

import asyncio
import time
from collections import defaultdict
from collections.abc import Sequence
from statistics import linear_regression
from typing import Final, NamedTuple

from tests.faults.hosts import Host

EVERY_SECONDS: Final = 2.0
MOST_GROWTH: Final = 500.0
"""KB a minute that a process may grow in the second half of a soak. Caches of statements, which are bounded, still fill
then; one body kept of each post would be a thousand."""


class Course(NamedTuple):
    """Memory of one process: minutes since the first look, and KB."""

    process: str
    looks: tuple[tuple[float, int], ...]

    @property
    def growth(self) -> float:
        """KB a minute over the second half of the time, by least squares.

        >>> Course("server", ((0, 9), (1, 20), (2, 20), (3, 20), (4, 20))).growth
        0.0
        >>> Course("server", ((0, 20), (1, 20), (2, 20), (3, 25), (4, 30))).growth
        5.0
        """
        half = self.looks[-1][0] / 2
        late = [look for look in self.looks if look[0] >= half]
        return linear_regression(*zip(*late, strict=True)).slope

    def told(self) -> str:
        """Say it in a line."""
        (_, first), (_, last) = self.looks[0], self.looks[-1]
        return f"{first / 1024:.0f} MB at first, {last / 1024:.0f} MB at last"


class Watch:
    """Looks at the memory of every process until it is cancelled."""

    def __init__(self, hosts: Sequence[Host]) -> None:
        self._hosts = hosts
        self._seen: defaultdict[str, list[tuple[float, int]]] = defaultdict(list)

    async def look(self) -> None:
        """Look again and again."""
        began = time.monotonic()
        while True:
            at = (time.monotonic() - began) / 60
            for number, host in enumerate(self._hosts):
                for role, kilobytes in host.memory().items():
                    self._seen[f"{role} of host {number}"].append((at, kilobytes))
            await asyncio.sleep(EVERY_SECONDS)

    def courses(self) -> tuple[Course, ...]:
        """What was seen."""
        return tuple(Course(name, tuple(looks)) for name, looks in self._seen.items())
