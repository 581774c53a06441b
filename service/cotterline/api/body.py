"""The JSON body, read strictly: content type, UTF-8, no name twice, no NUL, every type as the schema has it.

Litestar's own reading is lax ("5" passes for an integer, any content type will do), so the request class replaces it.
A body that fits costs one typed decode and one pass for repeated names; the search for every fault runs only on one
that does not.
"""

import asyncio
import functools
import json
import re
from collections import Counter
from collections.abc import Iterator
from itertools import islice, takewhile
from typing import Any, NoReturn, Protocol

import msgspec
from litestar import Request

from cotterline.api.faults import faults_in, member
from cotterline.api.problems import MAX_ERRORS, RequestRefusedError, body_errors
from cotterline.bench.errors import Fault

CSV = "text/csv"
_PLAIN = {"charset=utf-8"}
_PARAMETERS = {CSV: {"charset=utf-8", "header=present"}}
"""Parameters that a content type may have, where they are others (for tables RFC 4180, section 3)."""

_BESIDE = 64 * 1024
"""From this length on a body is read beside the loop: nobody else is to wait for it."""

_READ_TWICE = 4 * 1024 * 1024
"""Up to this length every fault is looked for; of a longer body the first is told, since the search takes many times as
much memory as the body."""

_PLACE = re.compile(r" - at `\$(.*)`$")
_STEP = re.compile(r"\.([^.\[\]]+)|\[([0-9]+|\.\.\.)\]")
"""How msgspec names a place: ``$.parts[3].sku``, and ``[...]`` for some member of a mapping."""

_MAX_EXACT_INTEGER = 2**53
"""Beyond this a JSON number is not the same integer in every reader (RFC 8259, section 6)."""


class StrictRequest(Request[Any, Any, Any]):
    """A request whose body is JSON that fits the handler's ``data`` annotation, or is refused."""

    async def body(self) -> bytes:
        """The raw body; where the handler takes one it must be there and say that it is JSON."""
        if self.route_handler.parsed_data_field is None:
            return await super().body()
        content_kind(self, *_kinds(self.route_handler))
        raw = await super().body()
        if not raw:
            raise RequestRefusedError("malformed-request", "The body is empty; a JSON document is expected.")
        return raw

    async def json(self) -> Any:  # noqa: ANN401 - the type is the handler's annotation
        """The body as an instance of the handler's ``data`` annotation."""
        table = table_of(self.route_handler)
        if table and _kind(self)[0] == CSV:
            return await asyncio.to_thread(table.read, await self.body())  # a long one takes its time
        field = self.route_handler.parsed_data_field
        raw, kind = await self.body(), field.annotation if field else Any
        return await asyncio.to_thread(decode, raw, kind) if len(raw) > _BESIDE else decode(raw, kind)


def media_type(handler: Any) -> str:  # noqa: ANN401 - Litestar's handler
    """What a handler's body must be: ``opt={"media": ...}``, or else JSON."""
    kind: str = handler.opt.get("media", "application/json")
    return kind


class Table(Protocol):
    """What reads a body in CSV."""

    def read(self, raw: bytes) -> Any:  # noqa: ANN401 - the type is the handler's annotation
        """The body as an instance of the handler's ``data`` annotation."""


def table_of(handler: Any) -> Table | None:  # noqa: ANN401 - Litestar's handler
    """What reads a handler's body where it comes as CSV, ``opt={"table": ...}``; None where it may not."""
    table: Table | None = handler.opt.get("table")
    return table


def _kind(request: Request[Any, Any, Any]) -> tuple[str, set[str]]:
    """The one content type, in small letters, and its parameters; empty where there is none or more."""
    kinds = request.headers.getall("content-type", [])
    kind, _, parameters = (kinds[0] if len(kinds) == 1 else "").partition(";")
    given = parameters.lower().replace('"', "").split(";")
    return kind.strip().lower(), {each.strip() for each in given if each.strip()}


def content_kind(request: Request[Any, Any, Any], *kinds: str) -> str:
    """Which of these kinds the body is said to be.

    Raises:
        RequestRefusedError: ``unsupported-media-type``.
    """
    kind, parameters = _kind(request)
    if kind not in kinds or not parameters <= _PARAMETERS.get(kind, _PLAIN):
        # RFC 5789, section 2.2: a PATCH refused for its format is told which would do.
        told = {"Accept-Patch": kinds[0]} if request.method == "PATCH" else {}
        words = f"The body must be {' or '.join(kinds)} in UTF-8."
        raise RequestRefusedError("unsupported-media-type", words, headers=told)
    if request.headers.get("content-encoding", "identity").lower() != "identity":
        raise RequestRefusedError("unsupported-media-type", "The body must come without a content coding.")
    return kind


def _kinds(handler: Any) -> tuple[str, ...]:  # noqa: ANN401 - Litestar's handler
    """What a handler's body may be."""
    return (media_type(handler), CSV) if table_of(handler) else (media_type(handler),)


@functools.cache
def _decoder(kind: Any) -> msgspec.json.Decoder[Any]:  # noqa: ANN401 - any annotation
    return msgspec.json.Decoder(kind, strict=True)


def decode(raw: bytes, kind: Any) -> Any:  # noqa: ANN401 - returns an instance of the annotation
    """``raw`` as an instance of ``kind``; every fault in it at once where it does not fit.

    >>> decode(b'{"pointer": "/a", "detail": "b"}', Fault)
    Fault(pointer='/a', detail='b')
    """
    try:
        return _decode(raw.decode(), kind)
    except msgspec.ValidationError:
        raise
    except (msgspec.DecodeError, UnicodeError, json.JSONDecodeError, RecursionError) as error:
        deep = isinstance(error, RecursionError)
        words = "it is nested too deeply" if deep else "it is not well-formed JSON in UTF-8"
        faults = body_errors([] if deep else _first(_not_numbers(raw)))
        raise RequestRefusedError("malformed-request", f"The body cannot be read: {words}.", faults) from error


class _NotANumber(str):
    """NaN or an infinity, which some programs write and JSON does not have."""

    __slots__ = ()


def _not_numbers(raw: bytes) -> Iterator[Fault]:
    """Name each place that holds NaN or an infinity, where nothing else is wrong with the body."""
    try:
        root = json.loads(raw, parse_constant=_NotANumber)
    except (ValueError, RecursionError):
        return
    yield from _constants(root, "")


def _constants(node: Any, pointer: str) -> Iterator[Fault]:  # noqa: ANN401 - any JSON value
    if isinstance(node, _NotANumber):
        yield Fault(pointer, f"JSON has no number {node}")
    items = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for name, item in items:
        yield from _constants(item, member(pointer, name))


def _decode(text: str, kind: Any) -> Any:  # noqa: ANN401 - as decode
    try:
        value = _decoder(kind).decode(text)
    except msgspec.ValidationError as error:
        if len(text) > _READ_TWICE:
            _refuse([_only_fault(str(error))])
        return _second_reading(_Document(text), kind, str(error))
    document = _Document(text)
    if document.suspect:
        _refuse(_first(_unsound(document.root, "")), document.code)
    return value


class _Document:
    """The body without types, knowing whether anything in it needs a closer look."""

    def __init__(self, text: str) -> None:
        self.repeats = False
        self.suspect = "\\u0000" in text
        self.root = json.loads(text, object_pairs_hook=self._object, parse_constant=_no_constant, parse_int=_integer)

    @property
    def code(self) -> str:
        """What a body that fits the types is refused as: for one name twice, or else for U+0000."""
        return "invalid-body" if self.repeats else "payload-unstorable"

    def _object(self, pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(pairs)
        if len(found) == len(pairs):
            return found
        self.suspect = self.repeats = True
        return _Repeating(pairs)


class _Repeating(dict[str, Any]):
    """An object in which a name came more than once."""

    def __init__(self, pairs: list[tuple[str, Any]]) -> None:
        super().__init__(pairs)
        names = Counter(name for name, _ in pairs)
        self.repeated = sorted(name for name, times in names.items() if times > 1)


def _integer(digits: str) -> int | float:
    return int(digits) if len(digits) <= len(str(_MAX_EXACT_INTEGER)) + 1 else float(digits)


def _no_constant(word: str) -> NoReturn:
    raise json.JSONDecodeError("JSON has no such number", word, 0)


def _refuse(faults: list[Fault], code: str = "invalid-body") -> None:
    if faults:
        raise RequestRefusedError(code, "The body was refused.", body_errors(faults))


def _second_reading(document: _Document, kind: Any, complaint: str) -> Any:  # noqa: ANN401 - as decode
    """Accept what differs only in writing 565 as 565.0, which JSON Schema calls an integer; name all faults else."""
    root = _whole(document.root)
    msgspec.json.encode(root)  # half a surrogate pair in a string could not be written down in the answer
    found = _first(_unsound(root, "")) if document.suspect else []
    named = {fault.pointer for fault in found}
    wrong = _first(fault for fault in faults_in(root, kind, "") if fault.pointer not in named)
    _refuse(found + wrong, "invalid-body" if wrong else document.code)
    try:
        return msgspec.convert(root, kind, strict=True)
    except msgspec.ValidationError:
        _refuse([Fault("", complaint)])
        raise


def _first(faults: Iterator[Fault]) -> list[Fault]:
    """As many as are told: a body can have a fault in every second byte."""
    return [*islice(faults, MAX_ERRORS)]


def _only_fault(complaint: str) -> Fault:
    """What msgspec says, at the place it names."""
    found = _PLACE.search(complaint)
    steps = [name or index for name, index in _STEP.findall(found[1])] if found else []
    pointer = functools.reduce(member, [*takewhile("...".__ne__, steps)], "")
    return Fault(pointer, _PLACE.sub("", complaint))


def _whole(node: Any) -> Any:  # noqa: ANN401 - any JSON value
    if isinstance(node, float) and node.is_integer() and abs(node) <= _MAX_EXACT_INTEGER:
        return int(node)
    if isinstance(node, _Repeating):
        node.update({name: _whole(item) for name, item in node.items()})
        return node
    if isinstance(node, dict):
        return {name: _whole(item) for name, item in node.items()}
    return [_whole(item) for item in node] if isinstance(node, list) else node


def _unsound(node: Any, pointer: str) -> Iterator[Fault]:  # noqa: ANN401 - any JSON value
    """Find what JSON allows and this service does not: a name twice in one object, the character U+0000."""
    if isinstance(node, str) and "\0" in node:
        yield Fault(pointer, "must not contain the character U+0000")
    if isinstance(node, _Repeating):
        yield from (Fault(member(pointer, name), "is given more than once") for name in node.repeated)
    items = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for name, item in items:
        if isinstance(name, str) and "\0" in name:
            yield Fault(pointer, "a name must not contain the character U+0000")
        yield from _unsound(item, member(pointer, name))
