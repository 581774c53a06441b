"""What the load asks: the same invented bicycles by turns, each as the whole bytes of an HTTP request."""

from collections.abc import Iterator, Sequence
from functools import cache
from itertools import cycle, islice
from typing import Final
from uuid import uuid4

from cotterline.api.bicycles.bike import Bike, Quoted, answer
from cotterline.api.bicycles.bikes_json import bikes_by_line
from cotterline.bench.quotes import QuoteRequest
from cotterline.bench.workshop import Workshop
from tests.benchmarks.invented_bikes import json_lines

SINGLE: Final = "/v1/estimates"
STORED: Final = "/v1/quotes"
ECHO: Final = "/v1/benchmark/echo"
WORKSHOP: Final = Workshop()
"""The load's, which has set nothing; what is worked out once for it is worked out once."""

BICYCLES: Final = 32
"""Different bicycles in a load."""


@cache
def lines() -> Sequence[bytes]:
    """The bicycles of a load as JSON: invented ones, without those that are refused."""
    asked = json_lines(2 * BICYCLES)
    quotable = (
        line
        for line in asked
        for item in bikes_by_line(iter([line]))
        if isinstance(item, Bike) and isinstance(answer(item, WORKSHOP, derivation=False), Quoted)
    )
    return tuple(islice(quotable, BICYCLES))


def kept() -> Iterator[QuoteRequest]:
    """The bicycles of a load as the service reads them."""
    yield from (item.request for item in bikes_by_line(iter(lines())) if isinstance(item, Bike))


def by_turns(path: str, key: str, count: int) -> Iterator[bytes]:
    """As many requests to one path; each that stores something is under a key of its own."""
    return (_request(path, key, body) for body in islice(cycle(lines()), count))


def _request(path: str, key: str, body: bytes) -> bytes:
    once = f'Idempotency-Key: "{uuid4()}"\r\n' if path == STORED else ""
    head = (
        f"POST {path} HTTP/1.1\r\nHost: bench\r\nAuthorization: Bearer {key}\r\nContent-Type: application/json\r\n"
        f"{once}Content-Length: {len(body)}\r\n\r\n"
    )
    return head.encode() + body
