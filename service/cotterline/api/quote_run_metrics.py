"""What the service counts of runs: what this process has done, and what waits in the database for all of them."""

import math
import time
from collections.abc import Iterator
from contextlib import contextmanager

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram

from cotterline.api.readiness import Backlog
from cotterline.bench.quote_run_life import OPEN

_SECONDS = (0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30, 60, 300, 1200)


class QuoteRunMetrics:
    """The counters of runs, in a registry that is given."""

    def __init__(self, registry: CollectorRegistry) -> None:
        self._open = Gauge(
            "cotterline_runs_open", "Runs of every shop that have not ended.", ("state",), registry=registry
        )
        self._waiting = Gauge(
            "cotterline_run_parts_waiting",
            "Parts of runs being worked, of every shop, that are not answered yet.",
            registry=registry,
        )
        self._lag = Gauge(
            "cotterline_run_lag_seconds",
            "How long nothing has come of the run that waits longest for a worker.",
            registry=registry,
        )
        self._under_way = Gauge(
            "cotterline_run_parts_under_way", "Parts that this process is working on.", registry=registry
        )
        self._duration = Histogram(
            "cotterline_run_part_duration_seconds",
            "Time from the claim of a part to the keeping of its answers.",
            buckets=_SECONDS,
            registry=registry,
        )
        self._bicycles = Counter(
            "cotterline_run_bicycles",
            "Bicycles of runs that this process has answered, by how.",
            ("outcome",),
            registry=registry,
        )

    @contextmanager
    def watch(self) -> Iterator["PartWatch"]:
        """Count one part as under way."""
        with self._under_way.track_inprogress():
            yield PartWatch(self._duration, self._bicycles)

    def tell(self, backlog: Backlog | None) -> None:
        """Take over what waits; without a backlog that is not a number."""
        for state in OPEN:
            self._open.labels(state).set(backlog.runs.open.get(state, 0) if backlog else math.nan)
        self._waiting.set(backlog.runs.parts if backlog else math.nan)
        self._lag.set(backlog.run_seconds if backlog else math.nan)


class PartWatch:
    """One part that is being worked on."""

    def __init__(self, duration: Histogram, bicycles: Counter) -> None:
        self._begun = time.perf_counter()
        self._duration = duration
        self._bicycles = bicycles

    def kept(self, quoted: int, refused: int) -> None:
        """Count what was answered, once it is kept and counts."""
        self._duration.observe(time.perf_counter() - self._begun)
        self._bicycles.labels("quoted").inc(quoted)
        self._bicycles.labels("refused").inc(refused)
