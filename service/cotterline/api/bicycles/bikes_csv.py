"""Bicycles from CSV (RFC 4180, or with semicolons or tabs), one a row, by the columns of ``columns.py``."""

from collections.abc import Iterator

from cotterline.api.bicycles.bike import MAX_BYTES, Bike, Refused, UnreadableError
from cotterline.api.bicycles.columns import every_name
from cotterline.api.bicycles.csv_row import bike
from cotterline.api.csv_text import names_of, records, wrong_names
from cotterline.bench.errors import Fault


def bikes_by_row(lines: Iterator[bytes]) -> Iterator[Bike | Refused]:
    """Each row below the header, as it is read; rows are numbered as a spreadsheet does, the header being row 1.

    Raises:
        UnreadableError: the header does not name columns of bicycles.
    """
    # What is not UTF-8 becomes a mark that its own cell is refused for.
    text = (_short(line).decode(errors="surrogateescape") for line in lines)
    header: list[str] = []
    for number, record in enumerate(records(text), start=1):
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


def _header(record: list[str] | Fault) -> list[str]:
    if isinstance(record, Fault):
        raise UnreadableError(record.detail)
    names = names_of(record)
    wrong = wrong_names(names, every_name())
    if wrong:
        raise UnreadableError("; ".join(wrong))
    return names


def _row(place: str, header: list[str], cells: list[str]) -> Bike | Refused:
    if len(cells) != len(header):
        words = f"has {len(cells)} cells and the header {len(header)}: leave a cell empty, not out"
        return Refused(place, "", (Fault("", words),))
    return bike(place, dict(zip(header, cells, strict=True)))
