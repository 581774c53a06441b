"""One bicycle, one call, nothing kept: beside a call that reads and answers the same bytes and computes nothing.

The ratio is of the server's seconds on its core: one process answers as many requests a second as it has core for, so
it is also the share of the echo's throughput that is left.
"""

from typing import Final

from tests.benchmarks import requests
from tests.benchmarks.figures import Figure, Outcome, told_time
from tests.benchmarks.grounds import KINDS, Cost, Grounds, Size, profiled, serving

LEAST: Final = 0.6


def measure(grounds: Grounds, size: Size) -> Outcome:
    """Measure on both databases, and beside an application with nothing around its handlers."""
    place = grounds.place("SQLite")
    with serving("bare", place) as running:
        (bare,) = running.costs(size, requests.ECHO)
    figures = []
    for kind in KINDS:
        with serving("service", grounds.place(kind)) as running:
            single, echo = running.costs(size, requests.SINGLE, requests.ECHO)
        ratio = echo.cpu / single.cpu
        figures += [
            Figure(f"one call, {kind}", told(single), f"{told(echo)}, echo", ratio, least=LEAST),
            Figure(f"echo, {kind}", told(echo), f"{told(bare)}, bare", bare.cpu / echo.cpu),
        ]
    outcome = Outcome(tuple(figures))
    if outcome.missed:
        found = profiled("service", place, requests.SINGLE, size.requests, grounds.folder)
        return outcome._replace(profile=found)
    return outcome


def told(cost: Cost) -> str:
    """A cost in words."""
    return f"{told_time(cost.cpu)} on the core, {cost.a_second:.0f} a second"
