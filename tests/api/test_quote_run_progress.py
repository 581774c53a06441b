"""The progress of runs as server-sent events: every change, not too often, to its end."""

import json
import time
from collections.abc import Iterator
from typing import Any, NamedTuple
from uuid import UUID, uuid4

import httpx
import pytest
from litestar.testing import TestClient

from cotterline.api import long_answers, quote_run_progress
from cotterline.api.edge import Edge
from tests.api.run_hand import RunHand, until
from tests.serving import Served

Client = TestClient[Edge]
FIRST, SECOND, THIRD = b'{"place":"line 1"}\n', b'{"place":"line 2"}\n', b'{"place":"line 3"}\n'


class Event(NamedTuple):
    """What was dispatched, and when."""

    name: str
    data: dict[str, Any]
    identity: str
    at: float


def path(run_id: UUID) -> str:
    return f"/v1/quote-runs/{run_id}/progress"


def events(lines: Iterator[str]) -> Iterator[Event]:
    """Events as a browser makes them of lines (WHATWG, HTML Living Standard, section 9.2.6), comments as such too."""
    fields: dict[str, str] = {}
    identity = ""
    for line in lines:
        if not line:
            if "data" in fields:
                yield Event(fields.get("event", "message"), json.loads(fields["data"]), identity, time.monotonic())
            fields = {}
        elif line.startswith(":"):
            yield Event("", {}, identity, time.monotonic())
        else:
            name, _, value = line.partition(":")
            fields[name] = value.removeprefix(" ")
            identity = fields.get("id", identity)


def test_a_run_that_has_ended_is_told_once_as_it_is(client: Client, hand: RunHand) -> None:
    run = hand.made(1)
    hand.answer(run.id, FIRST)
    answer = client.get(path(run.id))
    assert (answer.status_code, answer.headers["content-type"]) == (200, "text/event-stream")
    assert answer.headers["cache-control"] == "no-store"
    (told,) = events(iter(answer.text.split("\n")))
    assert (told.name, told.data) == ("progress", client.get(f"/v1/quote-runs/{run.id}").json())
    assert told.data["state"] == "finished"


def test_who_comes_again_after_the_end_is_told_to_come_no_more(client: Client, hand: RunHand) -> None:
    """Status 204 stops a browser from connecting again (WHATWG, HTML Living Standard, section 9.2.1)."""
    run = hand.made(1)
    hand.answer(run.id, FIRST)
    (told,) = events(iter(client.get(path(run.id)).text.split("\n")))
    again = client.get(path(run.id), headers={"Last-Event-ID": told.identity})
    assert (again.status_code, again.content) == (204, b"")
    missed = client.get(path(run.id), headers={"Last-Event-ID": str(int(told.identity) - 1)})
    assert [each.identity for each in events(iter(missed.text.split("\n")))] == [told.identity]


def test_no_run_is_followed_that_is_not_there(client: Client) -> None:
    assert client.get(path(uuid4())).status_code == 404


def test_a_head_names_what_there_is_and_follows_nothing(served: Served, caller: httpx.Client, hand: RunHand) -> None:
    head = caller.head(path(hand.made(1).id))
    assert (head.status_code, head.headers["content-type"], head.content) == (200, "text/event-stream", b"")
    until(lambda: served.answers.under_way == 0)


def test_every_change_is_told_at_most_one_a_second_until_the_end(caller: httpx.Client, hand: RunHand) -> None:
    run = hand.made(1, 1, 1)
    with caller.stream("GET", path(run.id)) as answer:
        coming = events(answer.iter_lines())
        first = next(coming)
        for told in (FIRST, SECOND, THIRD):
            hand.answer(run.id, told)
        rest = [*coming]
    every = [first, *rest]
    assert {each.name for each in every} == {"progress"}
    versions = [each.data["version"] for each in every]
    assert versions == sorted(set(versions))
    assert [first.data["parts_done"], rest[-1].data["parts_done"]] == [0, 3]
    assert rest[-1].data["state"] == "finished"
    assert min(after.at - before.at for before, after in zip(every, rest, strict=False)) > 0.8


def test_who_comes_again_is_told_what_has_changed_since(caller: httpx.Client, hand: RunHand) -> None:
    run = hand.made(1, 1)
    with caller.stream("GET", path(run.id)) as answer:
        last = next(events(answer.iter_lines()))
    begun = time.monotonic()
    with caller.stream("GET", path(run.id), headers={"Last-Event-ID": last.identity}) as answer:
        coming = events(answer.iter_lines())
        time.sleep(0.5)
        hand.answer(run.id, FIRST)
        told = next(coming)
    assert told.at - begun > 0.5
    assert told.data["parts_done"] == 1


def test_where_nothing_changes_comments_keep_the_connection(
    caller: httpx.Client, hand: RunHand, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(quote_run_progress, "LOOK_SECONDS", 0.05)
    monkeypatch.setattr(quote_run_progress, "HEARTBEAT_SECONDS", 0.4)
    with caller.stream("GET", path(hand.made(1).id)) as answer:
        coming = events(answer.iter_lines())
        first, *beats = (next(coming) for _ in range(3))
    assert (first.name, [each.name for each in beats]) == ("progress", ["", ""])
    assert 0.3 < beats[1].at - beats[0].at < 5


def test_after_a_while_it_ends_and_says_when_to_come_again(served: Served, caller: httpx.Client, hand: RunHand) -> None:
    served.answers.quiet_seconds = 0.5
    begun = time.monotonic()
    answer = caller.get(path(hand.made(1).id))
    assert 0.4 < time.monotonic() - begun < 5
    assert answer.text.startswith("retry: 3000\n\nevent: progress\n")
    assert answer.text.count("event:") == 1


def test_a_key_revoked_meanwhile_opens_nothing_more(caller: httpx.Client, hand: RunHand, served: Served) -> None:
    run = hand.made(1)
    with caller.stream("GET", path(run.id)) as answer:
        coming = events(answer.iter_lines())
        next(coming)
        hand.revoke(served.key)
        hand.answer(run.id, FIRST)
        (last,) = coming
    assert (last.name, last.data["type"]) == ("problem", "/problems/unauthenticated")


def test_a_server_told_to_stop_ends_what_it_tells(served: Served, caller: httpx.Client, hand: RunHand) -> None:
    with caller.stream("GET", path(hand.made(1).id)) as answer:
        coming = events(answer.iter_lines())
        next(coming)
        begun = time.monotonic()
        served.server.should_exit = True
        assert [*coming] == []
    assert time.monotonic() - begun < 5


def test_more_than_a_process_gives_at_once_are_put_off_until_one_leaves(
    served: Served, caller: httpx.Client, hand: RunHand, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(long_answers, "MOST", 1)
    served.answers.quiet_seconds = 10.0
    run = hand.made(1)
    with caller.stream("GET", path(run.id)) as answer:
        coming = events(answer.iter_lines())
        next(coming)
        put_off = caller.get(path(run.id))
        assert (put_off.status_code, int(put_off.headers["retry-after"]) > 0) == (503, True)
    until(lambda: served.answers.under_way == 0)
