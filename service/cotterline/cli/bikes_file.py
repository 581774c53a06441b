"""A file of bicycles in any of its forms, as a stream: memory does not grow with the file, save for a JSON array."""

from codecs import BOM_UTF8, BOM_UTF16_BE, BOM_UTF16_LE
from collections.abc import Callable, Iterator, Mapping
from itertools import chain
from pathlib import PurePath
from typing import BinaryIO, Final, Literal

import msgspec

from cotterline.api.bicycles.bike import MAX_BYTES, Bike, Refused, UnreadableError
from cotterline.api.bicycles.bikes_csv import bikes_by_row
from cotterline.api.bicycles.bikes_json import bikes_by_line, bikes_of_document, documents

Form = Literal["json", "json-lines", "csv"]
LineForm = Literal["json_lines", "csv"]

_BY_SUFFIX: Final[Mapping[str, Form]] = {".csv": "csv", ".jsonl": "json-lines", ".ndjson": "json-lines"}
_READERS: Final[Mapping[Form, Callable[[Iterator[bytes]], Iterator[Bike | Refused]]]] = {
    "csv": bikes_by_row,
    "json": bikes_of_document,
    "json-lines": bikes_by_line,
}
_UTF_16_MARKS: Final = (BOM_UTF16_LE, BOM_UTF16_BE)


def bikes(stream: BinaryIO, name: str, form: Form | None = None) -> Iterator[Bike | Refused]:
    """Every bicycle of a file, as it is read.

    Args:
        stream: the file.
        name: its name; the suffix tells the form where ``form`` does not.
        form: how to read it.

    Raises:
        UnreadableError: the file as a whole is not one of bicycles.
    """
    chosen, lines = opened(stream, name, form)
    yield from _READERS[chosen](lines)


def opened(stream: BinaryIO, name: str, form: Form | None = None) -> tuple[Form, Iterator[bytes]]:
    """The form of a file and its lines; arguments and error as for :func:`bikes`."""
    lines = _lines(stream)
    head = [next(lines, b"").removeprefix(BOM_UTF8)]
    if head[0].startswith(_UTF_16_MARKS):
        raise UnreadableError("it is in UTF-16: save it in UTF-8")
    while not head[-1].strip():
        head.append(_next(lines))
    chosen = form or _BY_SUFFIX.get(PurePath(name).suffix.lower()) or _form_of(head[-1])
    return chosen, chain(head, lines)


def lines_of_bikes(stream: BinaryIO, name: str, form: Form | None = None) -> tuple[LineForm, Iterator[bytes]]:
    """A file as a service elsewhere takes it: by the line or by the row. Arguments and error as for :func:`bikes`."""
    chosen, lines = opened(stream, name, form)
    if chosen == "json":
        return "json_lines", (msgspec.json.format(item, indent=-1) + b"\n" for item in documents(lines))
    return ("csv" if chosen == "csv" else "json_lines"), lines


def _next(lines: Iterator[bytes]) -> bytes:
    for line in lines:
        return line
    raise UnreadableError("it is empty")


def _form_of(first: bytes) -> Form:
    """Tell the form by the first line: a whole JSON object alone on it has more of its kind below."""
    if not first.lstrip().startswith((b"{", b"[")):
        return "csv"
    try:
        return "json-lines" if isinstance(msgspec.json.decode(first), dict) else "json"
    except (msgspec.DecodeError, UnicodeError, RecursionError):
        return "json"


def _lines(stream: BinaryIO) -> Iterator[bytes]:
    while line := stream.readline(MAX_BYTES + 1):
        yield line
