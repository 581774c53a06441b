"""What customers' words may stand in: the members of each kind of document that a shop fills with words of its own.

All else a document says, measurements, verdicts, parts, prices and times, is about the bicycle and the trade.
"""

from collections.abc import Mapping, Sequence
from typing import Final, Literal

import msgspec
from msgspec import Raw

from cotterline.bench.quote_life import QuoteState

ERASED: Final = "erased"
"""Stands where a name must stand, once it is gone."""

ERASABLE: Final[tuple[QuoteState, ...]] = ("draft", "declined", "expired", "closed")
"""The states in which nothing waits for the customer, nor the customer for anything."""

Document = Literal["quote", "order", "order_document", "order_change", "reply", "fit_report", "fit_report_request"]

_Path = tuple[str, ...]

WORDS: Final[Mapping[Document, Mapping[_Path, str]]] = {
    "quote": {("reference",): "", ("metadata",): "{}", ("approval", "by"): f'"{ERASED}"'},
    "order": {("document", "reference"): ""},
    "order_document": {("reference",): ""},
    "order_change": {("note",): '""'},
    "reply": {("note",): '""', ("says", "*", "reason"): ""},
    "fit_report": {("request", "remarks"): '""'},
    "fit_report_request": {("remarks",): '""'},
}
"""Where they stand in each kind of document, and the JSON that takes their place; nothing where the member goes."""


def without_words(document: bytes, kind: Document, *within: str) -> bytes:
    """The document without what may be a customer's words, every other member the bytes it was.

    Args:
        document: an object, as JSON.
        kind: of what.
        within: the member it stands in, where it is wrapped in another.

    >>> without_words(b'{"reference":"Blue tandem of A. Fell","version":1.50}', "quote")
    b'{"version":1.50}'
    """
    for path, instead in WORDS[kind].items():
        document = _replaced(document, (*within, *path), instead.encode())
    return document


def _replaced(document: bytes, path: Sequence[str], instead: bytes) -> bytes:
    name, deeper = path[0], path[1:]
    if name == "*":
        items = msgspec.json.decode(document, type=list[Raw])
        return msgspec.json.encode([Raw(_replaced(bytes(item), deeper, instead)) for item in items])
    members = msgspec.json.decode(document, type=dict[str, Raw])
    if name not in members:
        return document
    if deeper:
        members[name] = Raw(_replaced(bytes(members[name]), deeper, instead))
    elif instead:
        members[name] = Raw(instead)
    else:
        del members[name]
    return msgspec.json.encode(members)
