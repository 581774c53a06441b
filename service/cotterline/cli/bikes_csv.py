"""Bicycles from CSV (RFC 4180, or with semicolons or tabs), one a row, by the columns of ``columns.py``."""

import csv
from collections.abc import Iterable, Iterator
from difflib import get_close_matches
from itertools import chain
from typing import Any, Final

from cotterline.bench.errors import Fault
from cotterline.cli.bike import MAX_BYTES, Bike, Refused, UnreadableError
from cotterline.cli.columns import every_name
from cotterline.cli.csv_row import bike

DELIMITERS: Final = ",;\t"
_SHOWN: Final = 40


def bikes_by_row(lines: Iterator[bytes]) -> Iterator[Bike | Refused]:
    """Each row below the header, as it is read; rows are numbered as a spreadsheet does, the header being row 1.

    Raises:
        UnreadableError: the header does not name columns of bicycles.
    """
    # What is not UTF-8 becomes a mark that its own cell is refused for.
    text = (_short(line).decode(errors="surrogateescape") for line in lines)
    head = [*_up_to_the_header(text)]
    reader = csv.reader(chain(head, text), delimiter=max(DELIMITERS, key=head[-1].count), strict=True)
    records = enumerate(_records(reader), start=1)
    header: list[str] = []
    for number, record in records:
        if not header:
            header = _header(record)
        elif isinstance(record, Fault):
            yield Refused(f"row {number}", "", (record,))
        elif any(record):
            yield _row(f"row {number}", header, record)


def _short(line: bytes) -> bytes:
    if len(line) > MAX_BYTES:
        raise UnreadableError("a line of it is longer than 1 MiB")
    return line


def _up_to_the_header(text: Iterator[str]) -> Iterator[str]:
    for line in text:
        yield line
        if line.strip():
            return


def _records(reader: Any) -> Iterator[list[str] | Fault]:  # noqa: ANN401 - the type of csv.reader has no public name
    while True:
        begun = reader.line_num + 1
        try:
            yield next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            ended = reader.line_num
            lines = f"line {begun}" if ended <= begun else f"lines {begun} to {ended}"
            yield Fault(
                "", f"{lines} of the file cannot be parted into cells ({error}): is a quotation mark left open?"
            )


def _header(record: list[str] | Fault) -> list[str]:
    if isinstance(record, Fault):
        raise UnreadableError(record.detail)
    names = [cell.strip().lower() for cell in record]
    known = set(every_name())
    wrong = [_unknown(name, known) for name in names if name not in known]
    wrong += [f"column {name} stands there twice" for name in sorted({n for n in names if names.count(n) > 1})]
    if wrong:
        raise UnreadableError("; ".join(wrong))
    return names


def _unknown(name: str, known: Iterable[str]) -> str:
    if not name:
        return "a column of the header has no name"
    meant = get_close_matches(name, known, n=1)
    return f"there is no column {name[:_SHOWN]!r}" + (f"; {meant[0]} is one" if meant else "")


def _row(place: str, header: list[str], cells: list[str]) -> Bike | Refused:
    if len(cells) != len(header):
        words = f"has {len(cells)} cells and the header {len(header)}: leave a cell empty, not out"
        return Refused(place, "", (Fault("", words),))
    return bike(place, dict(zip(header, cells, strict=True)))
