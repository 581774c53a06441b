"""A file of bicycles quoted by a service elsewhere: sent piece by piece, worked there, fetched part by part.

A dropped connection costs nothing but time: the service says how much of the file it has, and a part is fetched whole
or again.
"""

import time
from collections.abc import Callable, Iterator
from typing import Final
from uuid import uuid4

import msgspec

from cotterline.api.drafts import IDEMPOTENCY_KEY, PARTIAL_UPLOAD, UPLOAD_COMPLETE, UPLOAD_OFFSET
from cotterline.cli.remote_service import PASSING, Answer, DeclinedError, RemoteService

PIECE: Final = 1024 * 1024
"""Bytes of the file in one request, or a line more."""

LOOK_SECONDS: Final = 0.25
"""After how long a part is asked for again; each time twice as long, up to what the service asks for."""

ENDED: Final = frozenset({"finished", "cancelled"})

_OK, _CREATED, _CONFLICT = 200, 201, 409
_GOES_ON: Final = {_CONFLICT, *PASSING}
"""Statuses of a piece that was not taken, and may be sent again from where the run says that it has come to."""

_PATH: Final = "/v1/quote-runs"


class RunFigures(msgspec.Struct, frozen=True):
    """What a service tells of a run, as far as it matters here."""

    id: str
    state: str
    received_bytes: int
    bicycles: int
    quoted: int
    refused: int
    parts: int
    parts_done: int


Watch = Callable[[RunFigures], None]


class RemoteRun:
    """One run at a service."""

    def __init__(self, service: RemoteService, figures: RunFigures, watch: Watch) -> None:
        self._service, self._watch = service, watch
        self.figures = figures
        self._path = f"{_PATH}/{figures.id}"

    @property
    def id(self) -> str:
        """Names the run."""
        return self.figures.id

    @classmethod
    def start(cls, service: RemoteService, form: str, watch: Watch, *, derivation: bool) -> "RemoteRun":
        """Have a run begun whose bicycles come as ``json_lines`` or ``csv`` and whose answers go as JSON lines."""
        body = msgspec.json.encode({"bicycles_form": form, "answers_form": "json_lines", "derivation": derivation})
        headers = {"Content-Type": "application/json", IDEMPOTENCY_KEY: f'"{uuid4()}"'}
        return cls(service, _figures(service.ask("POST", _PATH, body, headers), _CREATED), watch)

    @classmethod
    def again(cls, service: RemoteService, run_id: str, watch: Watch) -> "RemoteRun":
        """Take up a run that was begun before."""
        return cls(service, _figures(service.ask("GET", f"{_PATH}/{run_id}"), _OK), watch)

    def look(self) -> RunFigures:
        """How far it is."""
        self.figures = _figures(self._service.ask("GET", self._path), _OK)
        self._watch(self.figures)
        return self.figures

    def send(self, lines: Iterator[bytes]) -> None:
        """Send what the service has not got of the lines, and then say that this was all."""
        offset, have = 0, self.look().received_bytes
        for piece in _pieces(lines):
            if offset + len(piece) > have:
                have = self._send(piece, offset, have)
            offset += len(piece)
        self._send(b"", offset, offset, complete=True)

    def parts(self) -> Iterator[bytes]:
        """The answers, part by part as they are done, in the order of the bicycles."""
        number, pause = 0, LOOK_SECONDS
        while self._expects(number + 1):
            answer = self._service.ask("GET", f"{self._path}/results/{number + 1}")
            if answer.status == _OK:
                number, pause = number + 1, LOOK_SECONDS
                yield answer.body
            elif answer.status != _CONFLICT:
                raise DeclinedError(answer)
            elif self.look().state in ENDED and self.figures.parts_done < self.figures.parts:
                return  # it was cancelled, and this part was never worked
            else:
                time.sleep(pause)
                pause = min(2 * pause, answer.again_after or pause)

    def _expects(self, number: int) -> bool:
        """Whether there is a part of that number, or may be one."""
        if number > self.figures.parts_done:
            self.look()
        return number <= self.figures.parts_done or self.figures.state not in ENDED

    def _send(self, piece: bytes, offset: int, have: int, *, complete: bool = False) -> int:
        """Send what is missing of a piece that begins at an offset; return how much the service has then.

        Whatever is heard or not, the run itself says what came of it: an answer may be lost after the piece arrived.
        """
        patience = self._service.patience()
        while True:
            answer, words = self._put(piece[have - offset :], have, complete=complete)
            before, have = have, self.look().received_bytes
            if have >= offset + len(piece) and not (complete and self.figures.state == "receiving"):
                return have
            if answer and answer.status not in _GOES_ON:
                raise DeclinedError(answer)
            if have > before:
                patience = self._service.patience()
            patience.wait(words, answer and answer.again_after)

    def _put(self, body: bytes, offset: int, *, complete: bool) -> tuple[Answer | None, str]:
        headers = {
            "Content-Type": PARTIAL_UPLOAD,
            UPLOAD_OFFSET: str(offset),
            UPLOAD_COMPLETE: "?1" if complete else "?0",
        }
        return self._service.try_once("PATCH", f"{self._path}/bicycles", body, headers)


def _pieces(lines: Iterator[bytes]) -> Iterator[bytes]:
    """The lines in pieces of about the size of one request."""
    held: list[bytes] = []
    size = 0
    for line in lines:
        held.append(line)
        size += len(line)
        if size >= PIECE:
            yield b"".join(held)
            held, size = [], 0
    if held:
        yield b"".join(held)


def _figures(answer: Answer, expected: int) -> RunFigures:
    if answer.status != expected:
        raise DeclinedError(answer)
    return msgspec.json.decode(answer.body, type=RunFigures)
