"""A POST that makes something makes it once: asked again, at once or after a crash, it answers the same."""

import asyncio
import contextlib
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import msgspec
import pytest
from litestar.testing import TestClient

from cotterline.api import examples
from cotterline.api.edge import Edge
from cotterline.cli.local_service import HOST
from tests.command_line import COMMAND, environment
from tests.shops import Shop

Client = TestClient[Edge]
JOB: dict[str, Any] = msgspec.json.decode(examples.read("whole_job"))
BODY = examples.read("whole_job")
JSON = {"Content-Type": "application/json"}
KEY = {"Idempotency-Key": '"8e03978e-40d5-43dd-bc93-6894a57f9324"'}
TOGETHER = 200
SECONDS = 60


def count(client: Client | httpx.Client) -> int:
    return len(client.get("/v1/quotes", params={"limit": 200}).json()["quotes"])


@pytest.fixture
def plain(client: Client) -> Client:
    """A client that names no request by itself."""
    client.event_hooks = {}
    return client


def test_a_call_that_makes_something_must_carry_a_key(plain: Client) -> None:
    paths = ["/v1/quotes", "/v1/quotes/01900000-0000-7000-8000-000000000000/transitions"]
    for path, body in zip(paths, (JOB, {"action": "issue"}), strict=True):
        answer = plain.post(path, json=body)
        assert (answer.status_code, answer.json()["type"]) == (400, "/problems/idempotency-key-missing")
        answer = plain.post(path, json=body, headers={"Idempotency-Key": '"a'})
        assert (answer.status_code, answer.json()["type"]) == (400, "/problems/malformed-request")
    assert count(plain) == 0


def test_a_calculation_that_keeps_nothing_needs_no_key(plain: Client) -> None:
    assert plain.post("/v1/thread-verdicts", json={"evidence": JOB["evidence"]}).status_code == 200


def test_asked_again_it_answers_the_same_and_says_so(plain: Client) -> None:
    first = plain.post("/v1/quotes", json=JOB, headers=KEY)
    again = plain.post("/v1/quotes", json=JOB, headers=KEY)
    assert first.status_code == again.status_code == 201
    assert again.content == first.content
    for name in ("location", "etag", "content-type", "cache-control"):
        assert again.headers[name] == first.headers[name]
    assert "idempotency-replayed" not in first.headers
    assert again.headers["idempotency-replayed"] == "true"
    assert again.headers["x-request-id"] != first.headers["x-request-id"]
    assert count(plain) == 1


def test_the_key_is_the_same_with_and_without_quotation_marks(plain: Client) -> None:
    first = plain.post("/v1/quotes", json=JOB, headers={"Idempotency-Key": "hook-7"})
    again = plain.post("/v1/quotes", json=JOB, headers={"Idempotency-Key": '"hook-7"'})
    assert again.content == first.content


OTHERS: dict[str, tuple[str, bytes]] = {
    "another body": ("/v1/quotes", BODY.replace(b"hook 7", b"hook 8")),
    "the same body in other bytes": ("/v1/quotes", BODY + b" "),
    "another query": ("/v1/quotes?derivation=true", BODY),
}


@pytest.mark.parametrize("name", OTHERS)
def test_a_key_used_for_another_request_is_refused(plain: Client, name: str) -> None:
    first = plain.post("/v1/quotes", content=BODY, headers=KEY | JSON)
    path, body = OTHERS[name]
    answer = plain.post(path, content=body, headers=KEY | JSON)
    assert (answer.status_code, answer.json()["type"]) == (422, "/problems/idempotency-key-reused")
    assert plain.post("/v1/quotes", content=BODY, headers=KEY | JSON).content == first.content
    assert count(plain) == 1


def test_a_key_is_one_shops_and_one_modes(plain: Client, shop_b: Shop, shop_a_test: Shop) -> None:
    first = plain.post("/v1/quotes", json=JOB, headers=KEY).json()["id"]
    for other in (shop_b, shop_a_test):
        answer = plain.post("/v1/quotes", json=JOB | {"reference": other.name}, headers=KEY | other.headers)
        assert answer.status_code == 201
        assert answer.json()["id"] != first


def test_what_was_refused_can_be_corrected_under_the_same_key(plain: Client) -> None:
    broken = JOB | {"evidence": [{"kind": "shell_width", "reading": {"value": 300}}]}
    refusals = [plain.post("/v1/quotes", json=broken, headers=KEY) for _ in range(2)]
    assert [refusal.status_code for refusal in refusals] == [422, 422]
    assert all("idempotency-replayed" not in refusal.headers for refusal in refusals)
    assert plain.post("/v1/quotes", json=JOB, headers=KEY).status_code == 201
    assert count(plain) == 1


def test_an_act_is_done_once_and_its_answer_kept_although_the_version_has_moved_on(plain: Client) -> None:
    made = plain.post("/v1/quotes", json=JOB, headers=KEY)
    path, act = f"{made.headers['location']}/transitions", {"If-Match": made.headers["etag"], "Idempotency-Key": "a"}
    first = plain.post(path, json={"action": "issue"}, headers=act)
    then = plain.post(path, json={"action": "decline"}, headers={"If-Match": "*", "Idempotency-Key": "b"})
    again = plain.post(path, json={"action": "issue"}, headers=act)
    assert [first.status_code, then.status_code, again.status_code] == [200, 200, 200]
    assert again.content == first.content
    assert again.headers["etag"] == first.headers["etag"] != then.headers["etag"]
    assert len(plain.get(path).json()["transitions"]) == 2


# From here on against the service in a process of its own, on a real socket.


@contextlib.contextmanager
def process(database_url: str, folder: Path, *, mute: bool = False) -> Iterator[tuple[subprocess.Popen[bytes], str]]:
    """Run the service; where it is mute it works as ever, but a quote's answer never leaves it."""
    with socket.create_server((HOST, 0)) as listener:
        port = listener.getsockname()[1]
    program = (sys.executable, str(Path(__file__).with_name("mute_service.py"))) if mute else (*COMMAND, "serve")
    own = environment(
        COTTERLINE_DATABASE_URL=database_url,
        COTTERLINE_PORT=str(port),
        COTTERLINE_RATE_PER_MINUTE="0",
        COTTERLINE_SHOP_RATE_PER_MINUTE="0",
    )
    with (folder / "service.log").open("ab") as log:
        running = subprocess.Popen(program, cwd=folder, env=own, stdout=log, stderr=log)  # noqa: S603 - this very program
    try:
        address = f"http://{HOST}:{port}"
        _wait_until_ready(running, address)
        yield running, address
    finally:
        running.kill()
        running.wait(SECONDS)


def _wait_until_ready(running: subprocess.Popen[bytes], address: str) -> None:
    deadline = time.monotonic() + SECONDS
    while True:
        assert running.poll() is None
        assert time.monotonic() < deadline
        with contextlib.suppress(httpx.TransportError):
            if httpx.get(f"{address}/health/ready").status_code == 200:
                return
        time.sleep(0.05)


async def _at_once(address: str, headers: dict[str, str]) -> list[httpx.Response]:
    limits = httpx.Limits(max_connections=TOGETHER)
    async with httpx.AsyncClient(base_url=address, headers=headers, limits=limits, timeout=SECONDS) as client:
        return await asyncio.gather(*(client.post("/v1/quotes", content=BODY) for _ in range(TOGETHER)))


def test_two_hundred_at_once_make_one_quote_and_get_one_answer(database_url: str, shop_a: Shop, tmp_path: Path) -> None:
    headers = shop_a.headers | KEY | JSON
    with process(database_url, tmp_path) as (_, address):
        answers = asyncio.run(_at_once(address, headers))
        with httpx.Client(base_url=address, headers=shop_a.headers) as client:
            assert count(client) == 1
    assert {(answer.status_code, answer.content, answer.headers["etag"]) for answer in answers} == {
        (201, answers[0].content, answers[0].headers["etag"])
    }
    assert sum("idempotency-replayed" not in answer.headers for answer in answers) == 1


def test_after_a_crash_between_commit_and_answer_the_answer_is_given_all_the_same(
    database_url: str, shop_a: Shop, tmp_path: Path
) -> None:
    headers = shop_a.headers | KEY | JSON
    committed = tmp_path / "committed"
    with process(database_url, tmp_path, mute=True) as (running, address):
        with pytest.raises(httpx.ReadTimeout):
            httpx.post(f"{address}/v1/quotes", content=BODY, headers=headers, timeout=2)
        assert committed.exists()
        os.kill(running.pid, signal.SIGKILL)
        assert running.wait(SECONDS) == -signal.SIGKILL
    with (
        process(database_url, tmp_path) as (_, address),
        httpx.Client(base_url=address, headers=shop_a.headers) as client,
    ):
        assert count(client) == 1
        again = client.post("/v1/quotes", content=BODY, headers=KEY | JSON)
        assert (again.status_code, again.headers["idempotency-replayed"]) == (201, "true")
        assert again.content == committed.read_bytes()
        assert client.get(again.headers["location"]).content == again.content
        assert count(client) == 1
