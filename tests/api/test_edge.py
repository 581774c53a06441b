"""What every answer carries, the ones included that no handler gives: application middleware misses those."""

import asyncio
import json
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from typing import Annotated, Any
from uuid import UUID

import httpx
import pytest
from litestar import Response, get, post
from litestar.params import FromPath, QueryParameter, RawBody
from litestar.testing import TestClient
from litestar.types import HTTPDisconnectEvent, HTTPRequestEvent, Message

from cotterline.api.edge import Edge
from cotterline.main import application

Answer = Callable[..., httpx.Response]
Shell = Callable[..., AbstractContextManager[TestClient[Edge]]]

TRACEPARENT = "00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01"
"""The example of W3C Trace Context (Recommendation, 2021), section 3.2.4."""

PRIVATE = "bottom-drawer"


@get("/shelves")
async def read() -> dict[str, str]:
    """Give something."""
    return {"a": "b"}


@post("/shelves", status_code=200)
async def write() -> dict[str, str]:
    """Take nothing, give something."""
    return {"c": "d"}


@post("/notes/{name:str}", status_code=200)
async def note(name: FromPath[str]) -> dict[str, str]:
    """Give a name back."""
    return {"name": name}


@get("/faults")
async def fail(q: Annotated[str, QueryParameter()] = "") -> None:
    """Fail with a message that quotes what was sent."""
    raise RuntimeError(f"could not store {q}")


@get("/own")
async def own() -> Response[str]:
    """Set what the edge would set."""
    return Response("", headers={"Cache-Control": "max-age=5", "Content-Security-Policy": "default-src 'self'"})


@pytest.fixture
def answer(shell: Shell) -> Iterator[Answer]:
    """Send requests to the handlers above."""
    with shell(read, write, note, fail, own) as client:
        yield client.request


ANSWERS = [
    ("GET", "/shelves", 200),
    ("HEAD", "/shelves", 200),
    ("OPTIONS", "/shelves", 204),
    ("GET", "/nowhere", 404),
    ("DELETE", "/shelves", 405),
    ("GET", "/faults", 500),
]


@pytest.mark.parametrize(("method", "path", "status"), ANSWERS)
def test_every_answer_names_its_request_and_carries_the_security_headers(
    answer: Answer, method: str, path: str, status: int
) -> None:
    response = answer(method, path)
    assert response.status_code == status
    assert UUID(response.headers["x-request-id"]).version == 7
    assert response.headers["x-content-type-options"] == "nosniff"
    assert response.headers["referrer-policy"] == "no-referrer"
    assert response.headers["cache-control"] == "no-store"
    assert response.headers["content-security-policy"].startswith("default-src 'none'")


def test_a_handler_keeps_the_headers_it_sets_itself(answer: Answer) -> None:
    headers = answer("GET", "/own").headers
    assert headers.get_list("cache-control") == ["max-age=5"]
    assert headers.get_list("content-security-policy") == ["default-src 'self'"]


@pytest.mark.parametrize(("method", "path", "status"), ANSWERS)
def test_every_answer_is_one_log_line(answer: Answer, logged: list[Any], method: str, path: str, status: int) -> None:
    response = answer(method, path)
    (line,) = [entry for entry in logged if entry["event"] == "request"]
    assert line["request_id"] == response.headers["x-request-id"]
    assert (line["method"], line["status"]) == (method, status)
    assert line["milliseconds"] >= 0


def test_the_log_holds_the_route_and_neither_path_nor_query_nor_body(answer: Answer, logged: list[Any]) -> None:
    answer("POST", f"/notes/{PRIVATE}", content=PRIVATE, headers={"authorization": PRIVATE, "user-agent": PRIVATE})
    answer("GET", f"/shelves?{PRIVATE}={PRIVATE}")
    answer("GET", f"/{PRIVATE}")
    assert [line["route"] for line in logged] == ["/notes/{name}", "/shelves", None]
    assert PRIVATE not in json.dumps(logged)


def test_a_failure_is_logged_with_its_place_and_without_its_message(answer: Answer, logged: list[Any]) -> None:
    response = answer("GET", f"/faults?q={PRIVATE}")
    assert response.json()["type"] == "/problems/internal-error"
    assert PRIVATE not in response.text
    (line,) = [entry for entry in logged if entry["event"] == "request failed"]
    assert line["error"] == "RuntimeError"
    assert "test_edge.py" in line["frames"][-1]
    assert line["request_id"] == response.headers["x-request-id"]
    assert PRIVATE not in json.dumps(logged)


def test_head_answers_as_get_without_the_body(answer: Answer) -> None:
    whole, head = answer("GET", "/shelves"), answer("HEAD", "/shelves")
    assert head.content == b""
    assert head.headers["content-length"] == whole.headers["content-length"] == str(len(whole.content))


def test_head_is_refused_where_there_is_no_get(answer: Answer) -> None:
    response = answer("HEAD", "/notes/a")
    assert response.status_code == 405
    assert response.headers["allow"] == "OPTIONS, POST"
    assert response.content == b""


@pytest.mark.parametrize(("path", "allowed"), [("/shelves", "GET, HEAD, OPTIONS, POST"), ("/notes/a", "OPTIONS, POST")])
def test_options_and_405_tell_every_method_of_the_path(answer: Answer, path: str, allowed: str) -> None:
    options, refused = answer("OPTIONS", path), answer("DELETE", path)
    assert (options.status_code, refused.status_code) == (204, 405)
    assert options.headers["allow"] == refused.headers["allow"] == allowed
    assert refused.json()["type"] == "/problems/method-not-allowed"


def test_a_trace_is_carried_on(answer: Answer, logged: list[Any]) -> None:
    assert answer("GET", "/shelves", headers={"traceparent": TRACEPARENT}).headers["traceparent"] == TRACEPARENT
    assert logged[-1]["trace_id"] == "0af7651916cd43dd8448eb211c80319c"


@pytest.mark.parametrize(
    "value",
    [
        "",
        "00-abc-def-01",
        TRACEPARENT.upper(),
        "00-" + "0" * 32 + "-b7ad6b7169203331-01",
        TRACEPARENT + "\n",
        "ff" + TRACEPARENT[2:],
    ],
)
def test_a_trace_that_is_none_is_dropped(answer: Answer, value: str) -> None:
    assert "traceparent" not in answer("GET", "/shelves", headers=[(b"traceparent", value.encode())]).headers


def test_a_request_id_from_outside_is_not_taken_over(answer: Answer) -> None:
    assert answer("GET", "/shelves", headers={"x-request-id": "mine"}).headers["x-request-id"] != "mine"


def test_links_begin_with_the_public_address_where_there_is_one(shell: Shell) -> None:
    with shell(read, base_url="https://bench.example/cotterline") as client:
        assert client.get("/nowhere").json()["type"] == "https://bench.example/cotterline/problems/not-found"


def _scope(method: str, path: str) -> Any:  # noqa: ANN401 - a test need not give all that the type asks for
    """What a server tells of a request before its body."""
    head = {"type": "http", "http_version": "1.1", "method": method, "path": path, "raw_path": path.encode()}
    return head | {"query_string": b"", "headers": [(b"host", b"bench.example")]}


def test_a_body_that_does_not_arrive_in_time_is_refused() -> None:
    sent: list[Any] = []

    @post("/bodies", status_code=200)
    async def take(body: RawBody) -> dict[str, int]:
        return {"length": len(body)}

    async def receive() -> HTTPRequestEvent:
        await asyncio.sleep(60)
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: Message) -> None:
        sent.append(message)

    asyncio.run(
        Edge(application([take], opt={"scope": None}), body_seconds=0.05)(_scope("POST", "/bodies"), receive, send)
    )
    assert sent[0]["status"] == 408
    assert dict(sent[0]["headers"])[b"connection"] == b"close"
    assert json.loads(sent[1]["body"])["type"] == "/problems/request-timeout"


def test_a_client_that_leaves_before_its_body_is_complete_is_no_failure_of_ours(logged: list[Any]) -> None:
    @post("/bodies", status_code=200)
    async def take(body: RawBody) -> dict[str, int]:
        return {"length": len(body)}

    async def receive() -> HTTPDisconnectEvent:
        return {"type": "http.disconnect"}

    async def send(_message: Message) -> None:
        pass

    asyncio.run(Edge(application([take], opt={"scope": None}))(_scope("POST", "/bodies"), receive, send))
    assert [(line["event"], line["status"]) for line in logged] == [("request", 400)]


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"x-large": "a" * 32768}, 431),
        ({f"x-{number}": "a" * 10 for number in range(3000)}, 431),
        ([(b"host", b"a"), (b"host", b"b")], 400),
    ],
)
def test_a_header_without_measure_or_with_two_hosts_is_refused(answer: Answer, headers: object, status: int) -> None:
    response = answer("GET", "/shelves", headers=headers)
    assert (response.status_code, response.headers["content-type"]) == (status, "application/problem+json")


def test_an_address_without_measure_is_refused(answer: Answer) -> None:
    for path in ("/" + "a" * 9000, "/shelves?q=" + "a" * 9000):
        assert answer("GET", path).json()["type"] == "/problems/target-too-long"


def test_an_exception_after_the_answer_began_breaks_the_connection_and_is_logged(logged: list[Any]) -> None:
    async def send(_message: Message) -> None:
        raise OSError("the client has gone")

    async def receive() -> HTTPRequestEvent:
        return {"type": "http.request", "body": b"", "more_body": False}

    with pytest.raises(Exception, match="after response started"):
        asyncio.run(Edge(application([read], opt={"scope": None}))(_scope("GET", "/shelves"), receive, send))
    assert [line["event"] for line in logged] == ["request failed", "request"]
