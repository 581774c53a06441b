"""A bicycle as a file gave it: ready to be quoted, or refused with every reason."""

from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

from cotterline.api.body import decode
from cotterline.api.problems import refusal_of
from cotterline.bench.derivation import Trace
from cotterline.bench.errors import CotterlineError, Fault
from cotterline.bench.quotes import QuoteRequest, QuoteResult, quote
from cotterline.bench.workshop import Workshop

MAX_BYTES = 1024 * 1024
"""Longest line of a file, and longest single bicycle: as much as the service takes in one request."""


class LeftOut(NamedTuple):
    """What of a file is not among the lines that are read, since they are a part from its middle.

    Attributes:
        lines: of the file between the header, if there is one, and the part.
        records: lines of JSON or rows of a table among them.
    """

    lines: int
    records: int


NOTHING: Final = LeftOut(0, 0)


class UnreadableError(Exception):
    """The file as a whole is not one of bicycles; nothing after this point was read."""


class Refused(NamedTuple):
    """A bicycle that cannot be quoted; its faults point to JSON members, or to columns where the file has them.

    Attributes:
        place: where it stood.
        reference: the shop's own name for the job, as far as it was read.
        faults: every reason.
        code: of the problem type.
        detail: what went wrong, in a sentence.
    """

    place: str
    reference: str
    faults: tuple[Fault, ...]
    code: str = "invalid-table"
    detail: str = "The row was refused."

    @property
    def reasons(self) -> list[str]:
        """Every fault with where it lies."""
        return [f"{fault.pointer}: {fault.detail}" if fault.pointer else fault.detail for fault in self.faults]


class Bike(NamedTuple):
    """A bicycle to be quoted, where in the file it stood, and which column each part of it came from, if any."""

    place: str
    request: QuoteRequest
    columns: Mapping[str, str]

    @property
    def reference(self) -> str:
        """The shop's own name for the job, or else the place."""
        return self.request.reference or self.place


class Quoted(NamedTuple):
    """A bicycle with its answer."""

    bike: Bike
    result: QuoteResult


def read(place: str, raw: bytes, columns: Mapping[str, str]) -> Bike | Refused:
    """A bicycle from its JSON, read exactly as the service reads a body."""
    try:
        return Bike(place, decode(raw, QuoteRequest), columns)
    except Exception as error:  # noqa: BLE001 - the service's own table says what each means
        return refused(place, "", error, columns)


def answer(bike: Bike, workshop: Workshop, *, derivation: bool) -> Quoted | Refused:
    """The whole job for a bicycle."""
    try:
        return Quoted(bike, quote(bike.request, workshop, Trace(wanted=derivation)))
    except CotterlineError as error:
        return refused(bike.place, bike.request.reference or "", error, bike.columns)


def refused(place: str, reference: str, error: Exception, columns: Mapping[str, str]) -> Refused:
    """A bicycle that cannot be quoted for an error; ``columns`` as of a :class:`Bike`."""
    refusal = refusal_of(error)
    if refusal.code == "malformed-request":
        found = [Fault("", "is not well-formed JSON in UTF-8, or is nested too deeply")]
    else:
        found = [Fault(column_of(item.pointer or "", columns), item.detail) for item in refusal.errors]
    return Refused(place, reference, tuple(found) or (Fault("", refusal.detail),), refusal.code, refusal.detail)


def printable(text: str) -> str:
    r"""The text without characters that would steer a terminal.

    >>> printable("red\x1b[31m roadster")
    'red?[31m roadster'
    """
    return "".join(character if character.isprintable() else "?" for character in text)


def column_of(pointer: str, columns: Mapping[str, str]) -> str:
    """The column a JSON pointer came from; for a member no column gave, the nearest column and the member's name.

    >>> column_of("/evidence/0/reading/value", {"/evidence/0/reading/value": "shell_width"})
    'shell_width'
    >>> column_of("/rings/spacing", {"/rings/count": "rings"})
    'rings (spacing)'
    """
    if not columns or pointer in columns:
        return columns.get(pointer, pointer)
    parts = pointer.split("/")
    for length in range(len(parts), 1, -1):
        parent = "/".join(parts[:length])
        beside = _beneath(parent, columns)
        if beside:
            return f"{beside[0]} ({parts[length]})" if length < len(parts) else " or ".join(beside)
    return pointer


def _beneath(parent: str, columns: Mapping[str, str]) -> Sequence[str]:
    return list(dict.fromkeys(name for path, name in columns.items() if path.startswith(f"{parent}/")))
