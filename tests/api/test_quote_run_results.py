"""Answers of runs: all in order and none twice, following the work, at the pace of whoever reads them."""

import csv
import io
import json
import random
import re
import socket
import time
from typing import Any
from uuid import UUID, uuid4

import httpx
import pytest
from litestar.testing import TestClient

from cotterline.api import long_answers
from cotterline.api.bicycles.forms import JSON_LINES
from cotterline.api.edge import Edge
from cotterline.store import quote_run_parts
from cotterline.store.quote_run_inputs import packed
from tests.api.conftest import SECRET_KEY
from tests.api.run_hand import RunHand, until
from tests.benchmarks.invented_bikes import csv_rows, json_lines
from tests.serving import Served, serving_from
from tests.shops import Shop

Client = TestClient[Edge]
FIRST, SECOND, THIRD = b'{"place":"line 1"}\n{"place":"line 2"}\n', b'{"place":"line 3"}\n', b'{"place":"line 4"}\n'
BIG = [random.Random(n).randbytes(300_000).hex().encode() + b"\n" for n in range(20)]  # noqa: S311 - no secret


@pytest.fixture
def looks(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Collect the numbers of the parts that are looked for."""
    looked: list[int] = []
    real = quote_run_parts.part_answer

    async def noted(tx: Any, run_id: UUID, number: int) -> bytes | None:  # noqa: ANN401 - as the original
        looked.append(number)
        return await real(tx, run_id, number)

    monkeypatch.setattr(quote_run_parts, "part_answer", noted)
    return looked


def path(run_id: object, part: object = "") -> str:
    return f"/v1/quote-runs/{run_id}/results" + (f"/{part}" if part else "")


def last_line(content: bytes) -> dict[str, Any]:
    summary: dict[str, Any] = json.loads(content.splitlines()[-1])["summary"]
    return summary


def test_all_answers_come_in_order_and_then_the_summary(client: Client, hand: RunHand) -> None:
    run = hand.made(2, 1, 1)
    hand.answer(run.id, FIRST, SECOND, THIRD)
    answer = client.get(path(run.id))
    assert (answer.status_code, answer.headers["content-type"]) == (200, JSON_LINES)
    told = b'{"summary":{"bicycles":4,"quoted":1,"refused":3,"complete":true}}\n'
    assert answer.content == FIRST + SECOND + THIRD + told


BICYCLES = 300
"""More than one part holds."""


@pytest.mark.parametrize("asked", ["json_lines", "csv"])
@pytest.mark.parametrize("told", ["json_lines", "csv"])
def test_a_run_answers_with_the_bytes_of_the_stream(database_url: str, shop_a: Shop, asked: str, told: str) -> None:
    """An uploaded table or list, worked on meanwhile, is answered as the stream answers it, places and all."""
    kinds = {"json_lines": JSON_LINES, "csv": "text/csv"}
    bicycles = b"".join((json_lines if asked == "json_lines" else csv_rows)(BICYCLES)) + b"{"
    with (
        serving_from(database_url, shop_a.key, secret_keys=SECRET_KEY) as served,
        httpx.Client(base_url=served.address, headers=shop_a.headers, timeout=60) as caller,
    ):
        made = caller.post(
            "/v1/quote-runs",
            json={"bicycles_form": asked, "answers_form": told},
            headers={"Idempotency-Key": f'"{uuid4()}"'},
        )
        run = made.json()["id"]
        headers = {"Content-Type": "application/partial-upload", "Upload-Offset": "0", "Upload-Complete": "?1"}
        assert caller.patch(f"/v1/quote-runs/{run}/bicycles", content=bicycles, headers=headers).status_code == 204
        results = caller.get(path(run)).content
        headers = {"Content-Type": kinds[asked], "Accept": kinds[told]}
        streamed = caller.post("/v1/quotes/stream", content=bicycles, headers=headers).content
    assert nameless(results) == nameless(streamed)
    assert results.count(b"\n") > BICYCLES


def nameless(answers: bytes) -> list[bytes]:
    """Lines without what names the request or the run in a problem."""
    return re.sub(rb'"urn:uuid:[^"]*"', b"", answers).splitlines()


def test_a_table_has_its_header_once_and_each_part_one_of_its_own(client: Client, hand: RunHand) -> None:
    run = hand.made(1, 1, answers_form="csv")
    hand.answer(run.id, b"line 1,a\r\n", b"line 2,b\r\n")
    answer = client.get(path(run.id))
    assert answer.headers["content-type"] == "text/csv; charset=utf-8; header=present"
    first, second, last = csv.DictReader(io.StringIO(answer.text, newline=""))
    assert [(row["place"], row["reference"]) for row in (first, second)] == [("line 1", "a"), ("line 2", "b")]
    assert (last["place"], last["state"]) == ("summary", "complete")
    parts = [client.get(path(run.id, number)) for number in (1, 2)]
    heading = answer.content[: answer.content.index(b"line 1")]
    assert heading.startswith(b'"place","reference",')
    assert [part.content for part in parts] == [heading + b"line 1,a\r\n", heading + b"line 2,b\r\n"]
    assert {part.headers["content-type"] for part in parts} == {answer.headers["content-type"]}


def test_parts_lead_from_one_to_the_next_and_are_the_bytes_of_the_stream(client: Client, hand: RunHand) -> None:
    run = hand.made(2, 1)
    hand.answer(run.id, FIRST, SECOND)
    read, following = b"", path(run.id, 1)
    while following:
        answer = client.get(following)
        read += answer.content
        following = answer.links.get("next", {}).get("url", "")
    assert client.get(path(run.id)).content.startswith(read + b'{"summary"')
    assert read == FIRST + SECOND


def test_a_run_without_a_bicycle_has_a_summary_and_no_part(client: Client, hand: RunHand) -> None:
    run = hand.made()
    assert last_line(client.get(path(run.id)).content) == {
        "bicycles": 0,
        "quoted": 0,
        "refused": 0,
        "complete": True,
    }
    assert client.get(path(run.id, 1)).status_code == 404


def test_a_part_asked_for_too_early_comes_later_and_one_that_will_never_be_is_not_there(
    client: Client, hand: RunHand
) -> None:
    run = hand.made(2, 1, last=False)
    hand.answer(run.id, FIRST)
    early = [client.get(path(run.id, number)) for number in (2, 3, 100_000_000)]
    assert {(each.status_code, each.json()["type"]) for each in early} == {(409, "/problems/wrong-state")}
    assert all(int(each.headers["retry-after"]) > 0 for each in early)
    hand.take_in(run, last=True)
    hand.answer(run.id, SECOND)
    assert client.get(path(run.id, 2)).content == SECOND
    assert client.get(path(run.id, 3)).status_code == 404
    assert client.get(path(run.id, "0")).status_code == 422
    assert {client.get(path(uuid4(), part)).status_code for part in ("", 1)} == {404}


def test_answers_thrown_away_or_removed_are_not_there_and_the_words_say_why(client: Client, hand: RunHand) -> None:
    cancelled, removed, half_removed = hand.made(2), hand.made(2), hand.made(2)
    hand.act(cancelled.id, "cancel")
    for run in (removed, half_removed):
        hand.answer(run.id, FIRST)
        hand.remove(run.id, noted=run is removed)
    for run, word in ((cancelled, "cancelled"), (removed, "removed"), (half_removed, "removed")):
        for part in ("", 1):
            gone = client.get(path(run.id, part))
            assert (gone.status_code, gone.json()["type"]) == (404, "/problems/not-found")
            assert word in gone.json()["detail"]


def test_a_head_names_what_there_is_and_follows_nothing(served: Served, caller: httpx.Client, hand: RunHand) -> None:
    run = hand.made(2, 1)
    hand.answer(run.id, FIRST)
    for part in ("", 1):
        head = caller.head(path(run.id, part))
        assert (head.status_code, head.headers["content-type"], head.content) == (200, JSON_LINES, b"")
        until(lambda: served.answers.under_way == 0)


def test_the_stream_follows_the_work_in_the_order_of_the_bicycles(caller: httpx.Client, hand: RunHand) -> None:
    run = hand.made(2, last=False)
    hand.answer(run.id, FIRST)
    with caller.stream("GET", path(run.id)) as answer:
        pieces = answer.iter_raw()
        assert next(pieces) == FIRST
        hand.take_in(hand.read(run.id), 1, 1, last=True)
        hand.answer_the_second_first(run.id, SECOND, THIRD)
        assert b"".join(pieces).startswith(SECOND + THIRD + b'{"summary":{"bicycles":4,')


def test_the_stream_ends_where_the_upload_ends_without_another_part(caller: httpx.Client, hand: RunHand) -> None:
    run = hand.made(2, last=False)
    hand.answer(run.id, FIRST)
    with caller.stream("GET", path(run.id)) as answer:
        pieces = answer.iter_raw()
        assert next(pieces) == FIRST
        hand.take_in(hand.read(run.id), last=True)
        assert last_line(b"".join(pieces))["complete"] is True


def test_a_run_cancelled_midway_ends_the_stream_and_the_last_line_says_so(caller: httpx.Client, hand: RunHand) -> None:
    run = hand.made(2, 1)
    hand.answer(run.id, FIRST)
    with caller.stream("GET", path(run.id)) as answer:
        pieces = answer.iter_raw()
        assert next(pieces) == FIRST
        hand.act(run.id, "cancel")
        last = last_line(b"".join(pieces))
    assert (last["complete"], last["bicycles"]) == (False, 2)
    assert last["problem"]["type"] == "/problems/not-found"
    assert "cancelled" in last["problem"]["detail"]


def test_a_run_that_goes_no_further_is_followed_no_longer_than_that(
    served: Served, caller: httpx.Client, hand: RunHand
) -> None:
    served.answers.quiet_seconds = 0.5
    run = hand.made(2)
    hand.act(run.id, "pause")
    begun = time.monotonic()
    last = last_line(caller.get(path(run.id)).content)
    assert 0.4 < time.monotonic() - begun < 5
    assert (last["complete"], last["problem"]["type"]) == (False, "/problems/wrong-state")
    assert "paused" in last["problem"]["detail"]


def test_a_key_revoked_midway_opens_nothing_more(caller: httpx.Client, hand: RunHand, served: Served) -> None:
    run = hand.made(2, 1)
    hand.answer(run.id, FIRST)
    with caller.stream("GET", path(run.id)) as answer:
        pieces = answer.iter_raw()
        assert next(pieces) == FIRST
        hand.revoke(served.key)
        hand.answer(run.id, SECOND)
        rest = b"".join(pieces)
    assert SECOND not in rest
    assert last_line(rest)["problem"]["type"] == "/problems/unauthenticated"


def test_a_server_told_to_stop_ends_the_stream_with_a_summary(
    served: Served, caller: httpx.Client, hand: RunHand
) -> None:
    run = hand.made(2, 1)
    hand.answer(run.id, FIRST)
    with caller.stream("GET", path(run.id)) as answer:
        pieces = answer.iter_raw()
        assert next(pieces) == FIRST
        begun = time.monotonic()
        served.server.should_exit = True
        last = last_line(b"".join(pieces))
    assert time.monotonic() - begun < 5
    assert (last["complete"], last["problem"]["type"]) == (False, "/problems/unavailable")


def test_a_failure_midway_is_said_on_the_last_line(
    client: Client, hand: RunHand, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = hand.made(2, 1)
    hand.answer(run.id, FIRST, SECOND)
    real = quote_run_parts.part_answer

    async def failing(tx: Any, run_id: UUID, number: int) -> bytes | None:  # noqa: ANN401 - as the original
        if number == 2:
            raise RuntimeError("broken on purpose")
        return await real(tx, run_id, number)

    monkeypatch.setattr(quote_run_parts, "part_answer", failing)
    content = client.get(path(run.id)).content
    assert content.startswith(FIRST + b'{"summary"')
    assert last_line(content)["problem"]["type"] == "/problems/internal-error"
    assert b"on purpose" not in content


def test_a_part_that_cannot_be_read_breaks_the_connection(
    caller: httpx.Client, hand: RunHand, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What looked whole and was not would be worse than nothing."""
    run = hand.made(2)
    hand.answer(run.id, FIRST)

    async def torn(*_: object) -> bytes:
        return packed(FIRST)[:-8]

    monkeypatch.setattr(quote_run_parts, "part_answer", torn)
    with pytest.raises(httpx.RemoteProtocolError):
        caller.get(path(run.id, 1))


def test_who_does_not_read_is_not_read_ahead_for_and_loses_nothing(
    served: Served, hand: RunHand, looks: list[int]
) -> None:
    run = hand.made(*[1] * len(BIG))
    hand.answer(run.id, *BIG)
    with reading(served, run.id) as wire:
        until(lambda: bool(looks))
        looked = -1
        while looked != max(looks):  # until it stands still
            looked = max(looks)
            time.sleep(0.5)
        assert looked < len(BIG)
        held = bytearray()
        while not held.endswith(b"0\r\n\r\n"):
            held += wire.recv(1 << 20)
    head, _, chunks = bytes(held).partition(b"\r\n\r\n")
    assert b"transfer-encoding: chunked" in head
    assert unchunked(chunks).startswith(b"".join(BIG) + b'{"summary":{"bicycles":20,')


def test_who_has_left_is_sent_nothing_more(served: Served, hand: RunHand, looks: list[int]) -> None:
    run = hand.made(*[1] * len(BIG))
    hand.answer(run.id, *BIG)
    with reading(served, run.id) as wire:
        wire.recv(1000)
    until(lambda: served.answers.under_way == 0)
    assert max(looks) < len(BIG)


def test_who_waits_and_has_left_is_waited_for_no_more(served: Served, hand: RunHand) -> None:
    run = hand.made(2)
    with reading(served, run.id) as wire:
        until(lambda: served.answers.under_way == 1)
        assert wire.recv(10)
    until(lambda: served.answers.under_way == 0)


def test_who_reads_nothing_at_all_is_let_go(served: Served, hand: RunHand, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(long_answers, "IDLE_SECONDS", 0.5)
    run = hand.made(*[1] * len(BIG))
    hand.answer(run.id, *BIG)
    with reading(served, run.id):
        until(lambda: served.answers.under_way == 1)
        until(lambda: served.answers.under_way == 0)


def test_more_than_a_shop_may_have_at_once_are_put_off_until_one_ends(
    served: Served, caller: httpx.Client, hand: RunHand, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(long_answers, "MOST_OF_ONE", 1)
    waited_for, done = hand.made(2), hand.made(2)
    hand.answer(done.id, FIRST)
    with reading(served, waited_for.id):
        until(lambda: served.answers.under_way == 1)
        put_off = caller.get(path(done.id))
        assert (put_off.status_code, put_off.json()["type"]) == (503, "/problems/unavailable")
        assert int(put_off.headers["retry-after"]) > 0
    until(lambda: served.answers.under_way == 0)
    assert caller.get(path(done.id)).status_code == 200


def unchunked(body: bytes) -> bytes:
    """What came in chunks (RFC 9112, section 7.1)."""
    whole, lines = b"", io.BytesIO(body)
    while size := int(lines.readline(), 16):
        whole += lines.read(size)
        assert lines.readline() == b"\r\n"
    return whole


def reading(served: Served, run_id: UUID) -> socket.socket:
    """Ask for a run's results by hand, with little room for what is not read."""
    host, port = served.address.removeprefix("http://").split(":")
    wire = socket.socket()
    wire.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 16384)
    wire.settimeout(20)
    wire.connect((host, int(port)))
    wire.sendall(f"GET {path(run_id)} HTTP/1.1\r\nHost: {host}\r\nAuthorization: Bearer {served.key}\r\n\r\n".encode())
    return wire
