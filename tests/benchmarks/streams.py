"""A stream of bicycles: the server's time for a line, beside reading and writing the same lines and nothing else.

And the most memory the server held, by the length of the stream: it must not grow.
"""

import socket
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Final

import msgspec

from cotterline.api.bicycles.bike import Bike, Quoted, answer, read
from cotterline.api.bicycles.forms import JSON_LINES
from cotterline.api.bicycles.told import QuotedLine
from cotterline.api.body import decode
from cotterline.bench.quotes import QuoteRequest
from cotterline.bench.workshop import Workshop
from tests.benchmarks import requests
from tests.benchmarks.figures import Figure, Outcome, told_size, told_time
from tests.benchmarks.grounds import CLIENT_CORE, Grounds, Place, Size, profiled_by, serving
from tests.benchmarks.invented_bikes import json_lines
from tests.benchmarks.load import SECONDS
from tests.benchmarks.machine import core, cpu_seconds, kept_to, peak_memory

MOST: Final = 5.0
LEAST: Final = 2
"""Streams whose memory is compared in any case."""

FLAT: Final = 1.1
"""By what the memory may differ between the shortest and the longest stream."""


def measure(grounds: Grounds, size: Size) -> Outcome:
    """Measure the time for a line, and the memory by length."""
    place = grounds.place("SQLite")
    with serving("service", place) as running:
        stream(running.port, place.shop.key, requests.lines())
        spent = min(
            _spent(running.pid, lambda: stream(running.port, place.shop.key, json_lines(size.requests)))
            for _ in range(size.rounds)
        )
    line = spent / size.requests
    with kept_to(core(CLIENT_CORE)):
        bare = min(read_and_written([*json_lines(size.requests)]) for _ in range(size.rounds))
    beside = f"{told_time(bare)}, strictly read and written"
    a_second = f"{told_time(line)} a line, {1 / line:.0f} lines a second on a core"
    figures = (Figure("stream", a_second, beside, line / bare, most=MOST), *_memory(place, size, line))
    outcome = Outcome(figures)
    if figures[0].missed:
        lines = [*json_lines(size.requests)]
        found = profiled_by(
            "service", place, lambda running: stream(running.port, place.shop.key, lines), grounds.folder
        )
        return outcome._replace(profile=found)
    return outcome


def lengths(size: Size, line: float) -> Sequence[int]:
    """How long the streams are: no longer than somebody waits for, at so many seconds a line."""
    return [lines for number, lines in enumerate(size.lines) if number < LEAST or lines * line <= size.patience]


def _memory(place: Place, size: Size, line: float) -> Iterator[Figure]:
    first = 0
    for lines in lengths(size, line):
        with serving("service", place) as running:
            stream(running.port, place.shop.key, json_lines(lines))
            peak = peak_memory(running.pid)
        if first:
            beside = f"{told_size(first)} after {size.lines[0]}"
            yield Figure(f"memory, {lines} lines", told_size(peak), beside, peak / first, most=FLAT)
        first = first or peak


def _spent(pid: int, work: Callable[[], object]) -> float:
    before = cpu_seconds(pid)
    work()
    return cpu_seconds(pid) - before


def read_and_written(lines: Iterable[bytes]) -> float:
    """Seconds for a line: read strictly, and its answer, which was made before, written."""
    workshop = Workshop()
    answered = []
    for line in lines:
        bike = read("line 1", line, {})
        found = answer(bike, workshop, derivation=False) if isinstance(bike, Bike) else bike
        if isinstance(found, Quoted):
            answered.append((line, QuotedLine.of(found)))
    began = time.process_time()
    for line, told in answered:
        decode(line, QuoteRequest)
        msgspec.json.encode(told)
    return (time.process_time() - began) / len(answered)


def stream(port: int, key: str, lines: Iterable[bytes]) -> int:
    """Send lines while their answers come, and return how many of them there were, less the summary.

    Raises:
        RuntimeError: it was refused, or did not come to its end.
    """
    head = (
        f"POST /v1/quotes/stream HTTP/1.1\r\nHost: bench\r\nAuthorization: Bearer {key}\r\n"
        f"Content-Type: {JSON_LINES}\r\nTransfer-Encoding: chunked\r\nConnection: close\r\n\r\n"
    )
    with socket.create_connection(("127.0.0.1", port), SECONDS) as wire:
        sending = threading.Thread(target=_send, args=(wire, head.encode(), lines), daemon=True)
        sending.start()
        come, last = 0, b""
        while part := wire.recv(1 << 18):
            come += part.count(b"}\n")
            last = (last + part)[-4096:]
        sending.join()
    if b'"complete":true' not in last:
        raise RuntimeError(last.decode(errors="replace"))
    return come - 1


def _send(wire: socket.socket, head: bytes, lines: Iterable[bytes]) -> None:
    wire.sendall(head)
    for line in lines:
        wire.sendall(b"%x\r\n%s\r\n" % (len(line), line))
    wire.sendall(b"0\r\n\r\n")
