"""Litestar reads JSON lax and ignores the content type; these hold the strict reading in its place."""

import json
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from typing import Annotated, Any

import httpx
import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from litestar import post
from litestar.params import JSONBody
from litestar.testing import TestClient

from cotterline.api.body import decode
from cotterline.api.edge import Edge
from cotterline.api.problems import RequestRefusedError
from cotterline.bench.quantity import Reading
from cotterline.bench.shop import ShopSettings

Send = Callable[..., httpx.Response]
Shell = Callable[..., AbstractContextManager[TestClient[Edge]]]
JSON = {"content-type": "application/json"}
DEEP = 100_000


class Round(msgspec.Struct, frozen=True, tag_field="kind", tag="round", forbid_unknown_fields=True):
    """A shape of one kind."""

    width: Reading


class Square(msgspec.Struct, frozen=True, tag_field="kind", tag="square", forbid_unknown_fields=True):
    """A shape of another."""

    side: Annotated[int, msgspec.Meta(ge=1, le=1000)]


class Bench(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A body with a bit of everything."""

    count: Annotated[int, msgspec.Meta(ge=0, le=1000)]
    name: Annotated[str, msgspec.Meta(max_length=10)] = ""
    shapes: Annotated[tuple[Round | Square, ...], msgspec.Meta(max_length=3)] = ()
    reading: Reading | msgspec.UnsetType = msgspec.UNSET
    settings: ShopSettings = ShopSettings()


@post("/benches", status_code=200)
async def echo(data: JSONBody[Bench]) -> Bench:
    """Give back what was understood."""
    return data


@pytest.fixture
def send(shell: Shell) -> Iterator[Send]:
    """Post bytes to a handler that gives back what it understood."""
    with shell(echo) as client:
        yield lambda content, headers=JSON: client.post("/benches", content=content, headers=headers)


def problem(response: httpx.Response, status: int, code: str) -> dict[str, Any]:
    assert response.status_code == status
    assert response.headers["content-type"] == "application/problem+json"
    document: dict[str, Any] = response.json()
    assert document["type"] == f"/problems/{code}"
    assert document["status"] == status
    return document


def pointers(response: httpx.Response) -> list[str]:
    return [error["pointer"] for error in problem(response, 422, "invalid-body")["errors"]]


def test_a_number_in_quotation_marks_is_not_a_number(send: Send) -> None:
    assert pointers(send(b'{"count": "5"}')) == ["/count"]


def test_a_number_is_neither_a_word_nor_a_truth_value(send: Send) -> None:
    assert pointers(send(b'{"count": true, "name": 5}')) == ["/count", "/name"]


def test_a_whole_number_written_with_a_point_is_an_integer(send: Send) -> None:
    # JSON Schema 2020-12 validation, section 6.1.1: a number with a zero fractional part is an integer.
    assert send(b'{"count": 565.0}').json()["count"] == 565
    assert send(b'{"count": 5.65e2}').json()["count"] == 565
    assert pointers(send(b'{"count": 565.5}')) == ["/count"]


@pytest.mark.parametrize(
    "kind",
    [
        "",
        "text/plain",
        "application/x-www-form-urlencoded",
        "multipart/form-data; boundary=x",
        "application/jsonx",
        "application/json; charset=latin-1",
        "application/json; charset=utf-16",
        "application/json, text/plain",
    ],
)
def test_a_body_that_does_not_say_it_is_json_is_refused(send: Send, kind: str) -> None:
    problem(send(b'{"count": 1}', {"content-type": kind} if kind else {}), 415, "unsupported-media-type")


@pytest.mark.parametrize(
    "kind", ["application/json", "Application/JSON ; charset=UTF-8", 'application/json;charset="utf-8"']
)
def test_json_in_utf_8_is_read_however_it_is_named(send: Send, kind: str) -> None:
    assert send(b'{"count": 1}', {"content-type": kind}).status_code == 200


def test_a_compressed_body_is_refused_as_such_and_not_as_broken_json(send: Send) -> None:
    problem(send(b"\x1f\x8b", JSON | {"content-encoding": "gzip"}), 415, "unsupported-media-type")


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b" ",
        b"{",
        b'{"count": 1',
        b'{"count": 1,}',
        b'{"count": 01}',
        b'{"count": NaN}',
        b'{"count": Infinity}',
        b"{'count': 1}",
        b'{"count": 1} {"count": 1}',
        b'\xef\xbb\xbf{"count": 1}',
        '{"count": 1}'.encode("utf-16"),
        b'{"count": 1, "name": "\xff"}',
        b'{"count": 1, "\xff": 1}',
        b'{"count": 1, "name": "\\ud800"}',
        b'{"count": "x", "name": "\\ud800"}',
        b'{"count": "x", "name": NaN}',
        b'{"count": 1, "name": "a\nb"}',
        b"[" * DEEP,
        b'{"count": 1, "name": ' + b"[" * DEEP,
        b'{"count": "x", "name": ' + b'{"a":' * DEEP + b"1" + b"}" * (DEEP + 1),
        b'{"count": "x", "name": ' + b"[" * 900 + b"]" * 900 + b"}",
    ],
    ids=lambda content: repr(content[:40]),
)
def test_what_is_not_json_in_utf_8_is_malformed(send: Send, content: bytes) -> None:
    problem(send(content), 400, "malformed-request")


def test_a_name_given_twice_is_refused_by_name(send: Send) -> None:
    # RFC 7493 (I-JSON), section 2.3: names must not repeat. Which value would count is anyone's guess.
    assert pointers(send(b'{"count": 1, "count": 2}')) == ["/count"]
    assert pointers(send(b'{"count": 1, "reading": {"value": 67, "value": 68}}')) == ["/reading/value"]
    assert pointers(send(b'{"count": "x", "name": "", "name": ""}')) == ["/name", "/count"]


def test_the_character_nul_is_refused_wherever_it_stands(send: Send) -> None:
    # PostgreSQL cannot hold it in text; SQLite can.
    alone = send(b'{"count": 1, "name": "a\\u0000b"}')
    assert (alone.status_code, alone.json()["type"]) == (422, "/problems/payload-unstorable")
    assert [error["pointer"] for error in alone.json()["errors"]] == ["/name"]
    assert "" in pointers(send(b'{"count": 1, "a\\u0000b": 1}'))
    assert send(b'{"count": 1, "name": "\\\\u0000"}').json()["name"] == "\\u0000"


def test_an_unknown_member_is_named_with_slash_and_tilde_escaped(send: Send) -> None:
    # RFC 6901, section 3: ~ is ~0 and / is ~1.
    assert pointers(send(b'{"count": 1, "a/b~c": 1}')) == ["/a~1b~0c"]
    assert pointers(send(b'{"count": 1, "": 1}')) == ["/"]
    assert pointers(send('{"count": 1, "` - at `$.count`": 1, "é": 1}'.encode())) == ["/` - at `$.count`", "/é"]


def test_every_fault_is_told_at_once(send: Send) -> None:
    body = {
        "name": "a name that is too long",
        "more": 1,
        "shapes": [{"kind": "square", "side": 0}, {"kind": "round"}, {"kind": "oval"}, {"side": 1}],
        "reading": {"value": 5000, "unit": "cm"},
        "settings": {"stocked_lengths": [{"shell_width": 68, "lengths": []}]},
    }
    assert pointers(send(json.dumps(body).encode())) == [
        "/more",
        "/count",
        "/name",
        "/shapes",
        "/shapes/0/side",
        "/shapes/1/width",
        "/shapes/2/kind",
        "/shapes/3/kind",
        "/reading/value",
        "/reading/unit",
        "/settings/stocked_lengths/0/lengths",
    ]


def test_a_number_too_large_for_the_machine_is_named_and_not_a_failure(send: Send) -> None:
    assert pointers(send(b'{"count": 1, "reading": {"value": 1e999}}')) == ["/reading/value"]
    assert pointers(send(b'{"count": 1, "reading": {"value": ' + b"9" * 5000 + b"}}")) == ["/reading/value"]
    assert pointers(send(b'{"count": ' + b"9" * 5000 + b"}")) == ["/count"]


def test_a_body_of_another_shape_is_refused_as_a_whole(send: Send) -> None:
    for content in (b"[]", b"null", b'"a"', b"1"):
        assert pointers(send(content)) == [""]


def test_a_long_list_of_faults_is_cut(send: Send) -> None:
    body = {"count": 1} | {f"more{number}": 1 for number in range(500)}
    assert len(pointers(send(json.dumps(body).encode()))) == 100


def test_a_very_long_unknown_name_is_not_sent_back(send: Send) -> None:
    response = send(json.dumps({"count": 1, "n" * 100_000: 1}).encode())
    assert pointers(response) == [""]
    assert len(response.content) < 1000


def test_a_body_over_the_limit_is_refused_with_and_without_a_length(shell: Shell) -> None:
    piece = b" " * 65536
    with shell(echo) as client:
        problem(client.post("/benches", content=piece * 17, headers=JSON), 413, "request-too-large")
        chunked = client.post("/benches", content=(piece for _ in range(17)), headers=JSON)
        problem(chunked, 413, "request-too-large")
        assert "content-length" not in chunked.request.headers
        fits = b'{"count": 1}'.ljust(1024 * 1024)
        assert client.post("/benches", content=fits, headers=JSON).status_code == 200
        problem(client.post("/benches", content=fits + b" ", headers=JSON), 413, "request-too-large")


VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-2000, 2000)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=12),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.sampled_from(["kind", "side", "width", "value", "unit", "x"]), inner, max_size=4)
    ),
    max_leaves=8,
)
BODIES = st.fixed_dictionaries(
    {},
    optional={
        "count": st.integers(0, 9) | VALUES,
        "name": st.text("ab", max_size=10) | VALUES,
        "shapes": st.lists(
            st.fixed_dictionaries({"kind": st.just("square"), "side": st.integers(1, 9)})
            | st.fixed_dictionaries({"kind": st.just("round"), "width": st.just({"value": 67})})
            | VALUES,
            max_size=4,
        ),
        "reading": st.just({"value": 67, "unit": "in"}) | VALUES,
        "settings": st.just({}) | VALUES,
        "other": VALUES,
    },
)


@given(BODIES)
def test_a_body_is_refused_exactly_when_msgspec_refuses_it(body: dict[str, Any]) -> None:
    """The search for every fault agrees with msgspec's own first fault on whether there is one."""
    content = json.dumps(body, allow_nan=False).encode()
    try:
        known = msgspec.convert(json.loads(content, parse_float=_whole), Bench, strict=True)
    except msgspec.ValidationError:
        known = None
    if "\\u0000" in content.decode():
        known = None
    if known is None:
        with pytest.raises(RequestRefusedError) as refused:
            decode(content, Bench)
        assert refused.value.code == "invalid-body"
        assert refused.value.errors
    else:
        assert decode(content, Bench) == known


def _whole(digits: str) -> float | int:
    number = float(digits)
    return int(number) if number.is_integer() and abs(number) <= 2**53 else number


def test_the_struct_a_body_became_reaches_the_handler_untouched(shell: Shell) -> None:
    """Litestar converts handler arguments lax once more; a struct must pass through as it is."""
    seen: list[Bench] = []

    @post("/benches", status_code=200)
    async def keep(data: JSONBody[Bench]) -> None:
        seen.append(data)

    with shell(keep) as client:
        client.post("/benches", content=b'{"count": 1, "shapes": [{"kind": "square", "side": 3}]}', headers=JSON)
    assert seen == [Bench(count=1, shapes=(Square(side=3),))]
