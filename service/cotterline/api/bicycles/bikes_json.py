"""Bicycles from JSON: one quote request, an array of them, or one a line."""

from collections.abc import Iterator, Sequence
from typing import Final

import msgspec

from cotterline.api.bicycles.bike import MAX_BYTES, NOTHING, Bike, LeftOut, Refused, UnreadableError, read
from cotterline.bench.errors import Fault

MAX_DOCUMENT_BYTES: Final = 64 * MAX_BYTES
"""An array is held whole while it is read; one bicycle a line is not."""

_DOCUMENT: Final = msgspec.json.Decoder(msgspec.Raw)
_ARRAY: Final = msgspec.json.Decoder(list[msgspec.Raw])


def bikes_by_line(lines: Iterator[bytes], left_out: LeftOut = NOTHING) -> Iterator[Bike | Refused]:
    """Each line that is not blank, as it is read."""
    for number, line in enumerate(lines, start=left_out.records + 1):
        if not is_blank(line):
            yield _bike(f"line {number}", line)
        while len(line) > MAX_BYTES and not line.endswith(b"\n"):  # the rest of a line cut off for its length
            line = next(lines, b"")  # noqa: PLW2901 - it is still the same line of the file


def is_blank(line: bytes) -> bool:
    """Whether a line is none of a bicycle; one too long to be held is not looked through for that."""
    return len(line) <= MAX_BYTES and not line.strip()


def bikes_of_document(lines: Iterator[bytes]) -> Iterator[Bike | Refused]:
    """The one bicycle, or each of the array.

    Raises:
        UnreadableError: it is no JSON document, or too long to be held.
    """
    for number, item in enumerate(documents(lines), start=1):
        yield _bike(f"bike {number}", item)


def documents(lines: Iterator[bytes]) -> Sequence[bytes]:
    """The JSON of the one bicycle, or of each of the array; error as for the bicycles."""
    raw = _whole(lines)
    try:
        _DOCUMENT.decode(raw)
        return [bytes(item) for item in _ARRAY.decode(raw)] if raw.lstrip().startswith(b"[") else [raw]
    except (msgspec.DecodeError, UnicodeError, RecursionError) as error:
        raise UnreadableError(f"it is not one JSON document ({error})") from error


def _bike(place: str, raw: bytes) -> Bike | Refused:
    if len(raw) > MAX_BYTES:
        words = "is longer than 1 MiB, which no bicycle is"
        return Refused(place, "", (Fault("", words),), "request-too-large", f"It {words}.")
    return read(place, raw, {})


def _whole(lines: Iterator[bytes]) -> bytes:
    parts, size = [], 0
    for line in lines:
        parts.append(line)
        size += len(line)
        if size > MAX_DOCUMENT_BYTES:
            raise UnreadableError("it is longer than 64 MiB: put one bicycle a line and name it .jsonl")
    return b"".join(parts)
