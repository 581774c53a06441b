"""What a search begins from: examples of the API, invented bicycles, and everything a search once found.

``kept/`` has a folder for each target; what a search finds is put there once it is mended, so that it is tried for
good. The words of the API go into a dictionary: no search would come upon ``price_rise_percent`` by itself.
"""

from base64 import urlsafe_b64encode
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import msgspec

from cotterline.api import examples
from cotterline.store import cursor
from tests.fuzz.bodies import KINDS, TABLES
from tests.fuzz.heads import HEADERS

KEPT: Final = Path(__file__).parent / "kept"
_FIXTURES: Final = Path(__file__).parents[2] / "demo_fixtures"
_BODIES: Final[Mapping[str, str]] = {
    "QuoteRequest": "whole_job", "VerdictRequest": "clear_shell", "FitReportRequest": "fit_report",
    "Supplier": "supplier", "Subscription": "subscription", "PriceList": "price_list", "Catalogue": "parts",
    "ShownLabourBook": "labour_book", "OrderRequest": "order", "Reply": "reply", "KeyRequest": "booking_key",
}  # fmt: skip
_KEY: Final = b"cotl_test_00000000000000000000000000000007_aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa575e7656"
_LINK: Final = b"cotl_link_aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa10b66162"


def _place(microseconds: int) -> bytes:
    """A cursor of the first list there is, with the check that holds: no search would come upon that."""
    body = b"\x01" + microseconds.to_bytes(8, "big", signed=True) + bytes(16)
    return b"\x00" + urlsafe_b64encode(body + cursor._check(body))


_VALUES: Final[Sequence[bytes]] = (
    b'"8e03978e"', b"respond-async; wait=10", b'"3-draft", W/"4"', b"*", b"text/csv;q=0.5, application/json",
    b"Bearer " + _KEY, b"00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01", b"12", b"?1",
    b"bench.example:80", b"http://bench.example", b"application/json; charset=utf-8", b"identity", b"de-AT,en;q=0.8",
)  # fmt: skip
_PLAIN: Final[Mapping[str, Sequence[bytes]]] = {
    "query": (b"limit=5&cursor=abc&derivation=true&created_from=2024-05-01T09:30:00%2B02:00", b"options=paint%2Cbell"),
    "key": (_KEY,),
    "link": (_LINK,),
    "cursor": (_place(7), _place(2**62), _place(-(2**62))),
    "signature": (b"msg_1\n1795780800\nv1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=", b"whsec_" + b"AAAA" * 11),
    "address": (b"https://orders.example:8443/in", b"http://[::ffff:127.0.0.1]/", b"192.0.2.1", b"2620:fe::fe"),
    "wait": (b"\x00120", b"\x01Fri, 27 Nov 2026 12:00:00 GMT"),
    "setting": (b"\x028080", b"\x05https://bench.example", b"\x0d10.1.0.0/16,fd00::/8", b"\x00sqlite:///a.sqlite3"),
    "reference": (b"Blue roadster [backorder, reply-twice]",),
    "form": (b"do=approve&name=Ada+Fell&shown=paint&seal=0f&option_paint=on",),
    "mapping": (b'{items: lines[].{c: code, n: length(code)}} | [@,@][]\0{"lines": [{"code": "U-113"}]}',),
    "patch": (b'{"a":{"b":1}}\n{"a":{"b":null,"c":[1]},"currency":"EUR"}', b'{}\n{"quote_valid_days":11}'),
}


def seeds(name: str) -> list[bytes]:
    """What a search for a target begins from."""
    folder = KEPT / name
    kept = sorted(folder.iterdir()) if folder.is_dir() else []
    return [*_PLAIN.get(name, ()), *_made(name), *(path.read_bytes() for path in kept)]


def _made(name: str) -> Iterator[bytes]:
    if name == "json-body":
        found = (
            (number, _BODIES.get(getattr(kind, "__name__", ""), "clear_shell")) for number, kind in enumerate(KINDS)
        )
        yield from (bytes([number]) + examples.read(example) for number, example in found)
    elif name in {"bicycles", "bicycle-document"}:
        rows = b"".join((_FIXTURES / "bikes.csv").read_bytes().splitlines(keepends=True)[:3])
        line = examples.line("whole_job").encode()
        head = (b"\x01\x02\x0a\x63", b"\x00\x01\x32") if name == "bicycles" else (b"", b"")
        yield from (head[0] + rows, head[1] + line * 2, head[1] + b"[" + line + b"]")
    elif name == "table":
        yield from (bytes([number]) + _first_rows(each, number) for number, each in enumerate(TABLES))
    elif name == "header":
        yield from (bytes([number]) + value for number in range(len(HEADERS)) for value in _VALUES)
    elif name in {"reply", "supplier"}:
        yield examples.read(name)


def _first_rows(table: Any, number: int) -> bytes:  # noqa: ANN401 - a table of any document
    example = ("parts", "price_list", "labour_book")[number]
    return table.write(examples.typed(example, table._kind))  # type: ignore[no-any-return] # as above


def words() -> Iterator[str]:
    """The names of members, and the words that a member may be."""
    _, components = msgspec.json.schema_components(KINDS)
    yield from _words({"components": components})


def _words(node: Any) -> Iterator[str]:  # noqa: ANN401 - any JSON
    if isinstance(node, dict):
        yield from node.get("properties", {})
        yield from (each for each in node.get("enum", ()) if isinstance(each, str))
        for each in node.values():
            yield from _words(each)
    elif isinstance(node, list):
        for each in node:
            yield from _words(each)
