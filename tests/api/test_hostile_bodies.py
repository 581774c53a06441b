"""Bodies made to take long or much: each is refused in bounded time and memory, and others are served meanwhile."""

import resource
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from threading import Event
from typing import Any, Final

import httpx
import pytest

from cotterline.api import body, csv_table
from cotterline.api.bicycles.bike import UnreadableError
from cotterline.api.bicycles.bikes_csv import bikes_by_row
from cotterline.api.body import decode
from cotterline.api.parts import TABLE, Catalogue
from cotterline.api.problems import MAX_ERRORS, RequestRefusedError
from cotterline.api.quote_streams import lines_of
from cotterline.bench.quotes import QuoteRequest

MIB: Final = 1024 * 1024
SECONDS: Final = 10
"""Of a processor, for all of them together; what grows with the square of its length takes hours."""

MEGABYTES: Final = 1200

BODIES: Final = {
    "names, all the same": b"{" + b'"a":1,' * (MIB // 6) + b'"a":1}',
    "names, each twice": b"{" + b",".join(b'"%d":1' % (number // 2) for number in range(80_000)) + b"}",
    "faults": b'{"evidence":[' + b"0," * (MIB // 2) + b"0]}",
    "unknown names": b"{" + b",".join(b'"%d":1' % number for number in range(90_000)) + b"}",
    "no numbers": b'{"evidence":' + b"[" * 400 + b"NaN," * (MIB // 4) + b"1" + b"]" * 400 + b"}",
    "marks of nothing": b'{"evidence":[' + b'"\\u0000",' * (MIB // 9) + b'""]}',
    "digits": b'{"evidence":[' + b"9" * MIB + b"]}",
    "depth": b"[" * MIB,
}
"""Each as long as a body may be."""

TABLES: Final = {
    "a header without end": b",".join(b"%x" % number for number in range(2 * MIB)),
    "one name over and over": b"sku," * (4 * MIB),
    "rows without sense": b"sku,name,role\n" + b"a\n" * (7 * MIB),
    "rows without number": b"sku,name,role\n" + b"a,b,c\n" * (16 * MIB // 6 - 4),
    "a cell without end": b'sku,name,role\n"' + b"a" * (15 * MIB),
    "members": b'{"parts":[' + b"0," * (8 * MIB - 8) + b"0]}",
}
"""Each as long as a table may be."""


def read_all() -> None:
    """Read all of them; each is refused."""
    for content in BODIES.values():
        _refused(lambda content=content: decode(content, QuoteRequest))
    for content in TABLES.values():
        _refused(lambda content=content: TABLE.read(content))
        _refused(lambda content=content: decode(content, Catalogue))
    columns = b",".join(b"%x" % number for number in range(150_000)) + b"\n"
    with pytest.raises(UnreadableError):
        [*bikes_by_row(iter([columns]))]
    drops = iter([b"a"] * MIB)
    assert sum(len(line) for line in lines_of(lambda: next(drops, None))) == MIB


def _refused(work: Any) -> None:  # noqa: ANN401 - anything to be called
    with pytest.raises(RequestRefusedError) as caught:
        work()
    assert len(caught.value.errors) <= MAX_ERRORS


def test_every_one_is_refused_in_bounded_time_and_memory() -> None:
    """The limit is of the processor's time, which a busy machine does not stretch (setrlimit(2))."""
    program = "from tests.api.test_hostile_bodies import limited, read_all; limited(); read_all()"
    subprocess.run([sys.executable, "-c", program], check=True)  # noqa: S603 - our own words


def limited() -> None:
    """Have this process ended where it takes more than it may."""
    resource.setrlimit(resource.RLIMIT_CPU, (SECONDS, SECONDS))
    resource.setrlimit(resource.RLIMIT_DATA, (MEGABYTES * MIB, MEGABYTES * MIB))


@pytest.mark.parametrize("name", [*BODIES])
def test_a_fault_of_such_a_body_is_told_like_any_other(name: str) -> None:
    with pytest.raises(RequestRefusedError) as caught:
        decode(BODIES[name][:2000] if name == "depth" else BODIES[name], QuoteRequest)
    assert caught.value.code in {"invalid-body", "malformed-request"}


def test_of_a_long_body_the_first_fault_is_told_at_its_place(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(body, "_READ_TWICE", 0)
    for content, pointer in (
        (b'{"parts":[{"sku":"a","name":"b","role":"unit"},{"sku":7,"name":"b","role":"unit"}]}', "/parts/1/sku"),
        (b'{"parts":[{"sku":"a"}]}', "/parts/0"),
        (b'{"colour":1}', ""),
        (b"[]", ""),
    ):
        with pytest.raises(RequestRefusedError) as caught:
            decode(content, Catalogue)
        (fault,) = caught.value.errors
        assert fault.pointer == pointer
        assert "$" not in fault.detail


def test_more_rows_than_any_document_has_are_not_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(csv_table, "_MOST_ROWS", 3)
    rows = [f"{number},Unit,unit\n" for number in range(5)]
    head = "sku,name,role\n"
    assert len(TABLE.read((head + "".join(rows[:3])).encode()).parts) == 3
    with pytest.raises(RequestRefusedError) as caught:
        TABLE.read((head + "".join(rows)).encode())
    (fault,) = caught.value.errors
    assert fault.row == 5


def test_a_row_that_is_too_long_is_told_by_its_number(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(csv_table, "_LONGEST_ROW", 30)
    assert len(TABLE.read(b"sku,name,role\n" + b"a,b,unit\n").parts) == 1
    with pytest.raises(RequestRefusedError) as caught:
        TABLE.read(b"sku,name,role\na,b,unit\nc," + b"d" * 30 + b",unit\n")
    (fault,) = caught.value.errors
    assert (fault.row, fault.detail) == (3, "is longer than 30 characters")


class Held:
    """Reads bodies as the service does, once it is let go."""

    def __init__(self) -> None:
        self.begun, self.let_go = Event(), Event()

    def __call__(self, raw: bytes, kind: Any) -> Any:  # noqa: ANN401 - as decode
        """Read one."""
        self.begun.set()
        assert self.let_go.wait(20), "the service waited for the body"
        return decode(raw, kind)


@pytest.fixture
def held(monkeypatch: pytest.MonkeyPatch) -> Iterator[Held]:
    """Keep the service from reading bodies to their end for a while."""
    holding = Held()
    monkeypatch.setattr(body, "decode", holding)
    yield holding
    holding.let_go.set()


def test_others_are_served_while_a_long_body_is_read(caller: httpx.Client, held: Held) -> None:
    with ThreadPoolExecutor(1) as pool:
        kind = {"Content-Type": "application/json"}
        long = pool.submit(caller.post, "/v1/thread-verdicts", content=BODIES["faults"][: MIB // 2], headers=kind)
        assert held.begun.wait(20)
        assert caller.get("/health/live").status_code == 200
        held.let_go.set()
        assert long.result().status_code == 400
