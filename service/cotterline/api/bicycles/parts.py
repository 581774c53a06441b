r"""An upload of bicycles, cut into parts as it comes, each of whole records and fit to be read by itself.

What a part's reader then sees is what a reader of the whole upload would: the same code finds where records end, and
every part says how much of the upload stands before it. The parts do not depend on the pieces the upload came in.
"""

from codecs import BOM_UTF8
from collections.abc import Iterator
from io import BytesIO
from itertools import chain
from typing import Final, NamedTuple

import msgspec

from cotterline.api.bicycles.bike import MAX_BYTES
from cotterline.api.bicycles.bikes_csv import check_length, header_of, rows_of
from cotterline.api.bicycles.bikes_json import is_blank
from cotterline.bench.errors import Fault
from cotterline.store.quote_run_inputs import LeftOver, packed, unpacked
from cotterline.store.quote_run_parts import Intake, NewPart
from cotterline.store.quote_runs import BicycleForm

MOST_BICYCLES: Final = 256
"""In one part; it is also no longer than ``MAX_BYTES``, but for a line that was cut off there."""


class Record(NamedTuple):
    """What a reader takes for one: a line of JSON, or a row of a table.

    Attributes:
        raw: its bytes, with its end.
        lines: it takes up.
        is_bicycle: whether it is answered; a blank one is not.
    """

    raw: bytes
    lines: int
    is_bicycle: bool


class _Left(msgspec.Struct):
    """What must be known of all that came before to go on.

    Attributes:
        begun: whether no byte order mark can come any more.
        skipping: whether the rest of a line that was cut off is still to come.
        lines_before: the next part; between it and the heading.
        records_before: the next part; between it and the heading.
        lines: in the next part so far.
        records: in it.
        bicycles: in it.
        whole: its records.
        beginning: of the record behind them.
    """

    begun: bool = False
    skipping: bool = False
    lines_before: int = 0
    records_before: int = 0
    lines: int = 0
    records: int = 0
    bicycles: int = 0
    whole: bytes = b""
    beginning: bytes = b""


_KEPT: Final = msgspec.msgpack.Decoder(_Left)
AT_THE_BEGINNING: Final = LeftOver(b"", b"")


class Cutter:
    r"""One upload, from any piece of it on.

    Args:
        form: how the bicycles come.
        left: over by the pieces before, as the last :class:`Intake` has it.

    >>> first = Cutter("json_lines").take(b"{}\n\n{", last=False)
    >>> second = Cutter("json_lines", first.left).take(b"}", last=True)
    >>> len(first.parts), [part.bicycles for part in second.parts]
    (0, [2])
    """

    def __init__(self, form: BicycleForm, left: LeftOver = AT_THE_BEGINNING) -> None:
        self._form: BicycleForm = form
        self._heading = left.heading
        self._left = _KEPT.decode(unpacked(left.left_over)) if left.left_over else _Left()
        self._parts: list[NewPart] = []
        self._held: list[bytes] = []
        self._size = 0

    def take(self, piece: bytes, *, last: bool) -> Intake:
        """Cut a piece; the next one follows it.

        Args:
            piece: of the upload.
            last: whether nothing comes behind it.

        Raises:
            UnreadableError: the upload is none of bicycles; this cutter is of no more use.
        """
        left = self._left
        self._parts, self._held, self._size = [], [left.whole], len(left.whole)
        data, left.beginning = left.beginning + piece, b""
        if not left.begun and len(data) < len(BOM_UTF8) and not last:
            left.beginning = data
        else:
            if not left.begun:
                left.begun, data = True, data.removeprefix(BOM_UTF8)
            for record in self._lines(data, last=last) if self._form == "json_lines" else self._rows(data, last=last):
                self._add(record)
        if last:
            self._close()
        left.whole = b"".join(self._held)
        kept = packed(msgspec.msgpack.encode(left))
        return Intake(size=len(piece), last=last, parts=tuple(self._parts), left=LeftOver(self._heading, kept))

    def _lines(self, data: bytes, *, last: bool) -> Iterator[Record]:
        """Each line; one that is too long is cut off where it is too long already."""
        left, start = self._left, 0
        while start < len(data):
            found = data.find(b"\n", start) + 1
            end = found or len(data)
            if left.skipping:
                left.skipping = not found
            elif end - start > MAX_BYTES:
                left.skipping = not found
                yield Record(data[start : start + MAX_BYTES + 1] + b"\n", 1, is_bicycle=True)
            elif found or last:
                yield Record(data[start:end], 1, not is_blank(data[start:end]))
            else:
                left.beginning = data[start:]
            start = end

    def _rows(self, data: bytes, *, last: bool) -> Iterator[Record]:
        """Each row below the header, which becomes the heading with all that stands before it."""
        source = _Pulled(BytesIO(data), last=last)
        headed, above = False, b""
        for row in rows_of(chain(BytesIO(self._heading), source)):
            if source.is_dry and not last:
                break  # more of this row may come
            raw = source.taken()
            if headed:
                yield Record(b"".join(raw), len(raw), isinstance(row, Fault) or any(row))
            else:
                above += b"".join(raw)
                headed = bool(header_of(row))
        if headed:
            self._heading, above = self._heading or above, b""
        self._left.beginning = b"".join([above, *source.taken(), source.rest])
        check_length(len(self._left.beginning))

    def _add(self, record: Record) -> None:
        left = self._left
        if self._size + len(record.raw) > MAX_BYTES:
            self._close()
        self._held.append(record.raw)
        self._size += len(record.raw)
        left.lines += record.lines
        left.records += 1
        left.bicycles += record.is_bicycle
        if left.bicycles == MOST_BICYCLES:
            self._close()

    def _close(self) -> None:
        """Make a part of what is held, if there is a bicycle in it."""
        left = self._left
        if left.bicycles:
            part = NewPart(
                lines_before=left.lines_before,
                records_before=left.records_before,
                bicycles=left.bicycles,
                question=packed(b"".join(self._held)),
            )
            self._parts.append(part)
        left.lines_before += left.lines
        left.records_before += left.records
        left.lines = left.records = left.bicycles = self._size = 0
        self._held = []


class _Pulled:
    """Lines of a piece as a reader pulls them; one that may still go on is left over."""

    def __init__(self, lines: BytesIO, *, last: bool) -> None:
        self._lines, self._last = lines, last
        self._taken: list[bytes] = []
        self.is_dry = False
        self.rest = b""

    def __iter__(self) -> "_Pulled":
        return self

    def __next__(self) -> bytes:
        line = next(self._lines, b"")
        if line.endswith(b"\n") or (line and self._last):
            self._taken.append(line)
            return line
        self.is_dry = True
        self.rest = self.rest or line
        raise StopIteration

    def taken(self) -> list[bytes]:
        """What was pulled since this was last asked."""
        taken, self._taken = self._taken, []
        return taken
