"""A stepped clock is off for processes that run already, and how long something takes is told as before."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests import postgres
from tests.faults.clocks import Clock
from tests.faults.network import MissingError

TELL = "import sys, time\nfor _ in sys.stdin: print(time.time(), time.monotonic(), flush=True)"
"""Says both clocks whenever it is asked, some seconds later as it may be."""

STEP = 5000
FAR = 1000.0
"""Seconds no test takes."""


@pytest.fixture
def clock(tmp_path: Path) -> Clock:
    """Give the clock of a host."""
    try:
        return Clock(tmp_path / "clock")
    except MissingError as error:
        postgres.give_up(error, os.environ)


def test_a_clock_is_stepped_forth_and_back_and_right_again_under_a_process(clock: Clock) -> None:
    asked: list[tuple[float, float]] = []
    with subprocess.Popen(  # noqa: S603 - this very interpreter
        [sys.executable, "-c", TELL],
        env={**os.environ, **clock.environment, "FAKETIME_NO_CACHE": "1"},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        for seconds in (0, STEP, -STEP, 0):
            clock.step(seconds)
            process.stdin.write("\n")
            process.stdin.flush()
            told, passed = process.stdout.readline().split()
            asked.append((float(told), float(passed)))
        process.stdin.close()
    (right, began), (forth, _), (back, _), (again, ended) = asked
    assert abs(forth - right - STEP) < FAR
    assert abs(right - back - STEP) < FAR
    assert abs(again - right) < FAR
    assert 0 <= ended - began < FAR
