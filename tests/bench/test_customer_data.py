"""Customers' words are taken out of documents, and every other byte of them stays."""

from typing import Any

import msgspec
import pytest

from cotterline.bench.customer_data import WORDS, Document, without_words
from cotterline.bench.fit.report import FitReportRequest
from cotterline.bench.orders import OrderChangeDocument, OrderDocument
from cotterline.bench.replies import Reply
from cotterline.delivery.fit_report_events import FitReport
from cotterline.delivery.order_events import Order
from cotterline.delivery.quote_events import QuoteNow

CASES: list[tuple[Document, bytes, bytes]] = [
    ("quote", b'{"id":1,"reference":"A. Fell","metadata":{"who":"A. Fell"}}', b'{"id":1,"metadata":{}}'),
    ("quote", b'{"approval":{"by":"A. Fell","how":"telephone"}}', b'{"approval":{"by":"erased","how":"telephone"}}'),
    ("quote", b'{"by":"key","price":1.10}', b'{"by":"key","price":1.10}'),
    ("order", b'{"document":{"reference":"A. Fell","lines":[]}}', b'{"document":{"lines":[]}}'),
    ("order", b'{"reference":"not ours"}', b'{"reference":"not ours"}'),
    ("order_document", b'{"lines":[{"note":"of the trade"}]}', b'{"lines":[{"note":"of the trade"}]}'),
    ("order_change", b'{"note":"A. Fell sold it","number":1}', b'{"note":"","number":1}'),
    ("reply", b'{"says":[{"reason":"A. Fell","lines":[1]},{}],"note":"x"}', b'{"says":[{"lines":[1]},{}],"note":""}'),
    ("fit_report", b'{"request":{"remarks":"A. Fell"}}', b'{"request":{"remarks":""}}'),
    ("fit_report_request", b'{"remarks":"A. Fell","visit":"fitting"}', b'{"remarks":"","visit":"fitting"}'),
]


@pytest.mark.parametrize(("kind", "document", "left"), CASES)
def test_words_go_and_all_else_stays_as_it_was(kind: Document, document: bytes, left: bytes) -> None:
    assert without_words(document, kind) == left
    assert without_words(b'{"seen":1e3,"data":%b}' % document, kind, "data") == b'{"seen":1e3,"data":%b}' % left


TYPES: dict[Document, type[msgspec.Struct]] = {
    "quote": QuoteNow,
    "order": Order,
    "order_document": OrderDocument,
    "order_change": OrderChangeDocument,
    "reply": Reply,
    "fit_report": FitReport,
    "fit_report_request": FitReportRequest,
}


@pytest.mark.parametrize("kind", WORDS)
def test_every_place_is_a_member_of_what_is_kept(kind: Document) -> None:
    """A member that is given another name would be left alone from then on."""
    schema = msgspec.json.schema(TYPES[kind])
    known = {f"#/$defs/{name}": part for name, part in schema["$defs"].items()}
    for path in WORDS[kind]:
        assert any(_leads(schema, known, path)), path


def _leads(schema: dict[str, Any], known: dict[str, Any], path: tuple[str, ...]) -> list[bool]:
    """Whether a path leads to a member, in each of the types that may stand there."""
    if "$ref" in schema and not path:
        return [True]
    if "$ref" in schema:
        return _leads(known[str(schema["$ref"])], known, path)
    parts = [
        part for each in ("anyOf", "oneOf") for part in msgspec.convert(schema.get(each, []), list[dict[str, Any]])
    ]
    if parts:
        return [one for part in parts for one in _leads(part, known, path)]
    if not path:
        return [True]
    if path[0] == "*":
        return _leads(schema["items"], known, path[1:]) if "items" in schema else [False]
    members = schema.get("properties", {})
    return _leads(members[path[0]], known, path[1:]) if path[0] in members else [False]
