"""Bicycles from CSV (RFC 4180, or with semicolons or tabs), one a row, by the columns of ``columns.py``."""

from collections.abc import Iterator

from cotterline.api.bicycles.bike import MAX_BYTES, NOTHING, Bike, LeftOut, Refused, UnreadableError
from cotterline.api.bicycles.columns import every_name
from cotterline.api.bicycles.csv_row import bike
from cotterline.api.csv_text import is_utf_8, names_of, records, wrong_names
from cotterline.bench.errors import Fault


def bikes_by_row(lines: Iterator[bytes], left_out: LeftOut = NOTHING) -> Iterator[Bike | Refused]:
    """Each row below the header, as it is read; rows are numbered as a spreadsheet does, the header being row 1.

    Raises:
        UnreadableError: the header does not name columns of bicycles.
    """
    header: list[str] = []
    for number, record in enumerate(rows_of(lines, left_out), start=1):
        if not header:
            header = header_of(record)
            continue
        place = f"row {number + left_out.records}"
        if isinstance(record, Fault):
            yield Refused(place, "", (record,))
        elif any(record):
            yield _row(place, header, record)


def rows_of(lines: Iterator[bytes], left_out: LeftOut = NOTHING) -> Iterator[list[str] | Fault]:
    """Each row, the header's too, as cells or as what keeps it from being parted into them.

    Raises:
        UnreadableError: a line or a row is too long to be held.
    """
    size = 0

    def text() -> Iterator[str]:
        nonlocal size
        for line in lines:
            size += len(line)
            check_length(size)
            # What is not UTF-8 becomes a mark that its own cell is refused for.
            yield line.decode(errors="surrogateescape")

    for record in records(text(), left_out.lines):
        yield record
        size = 0


def check_length(size: int) -> None:
    """See that a row is no longer than any row of a bicycle, as far as it was read.

    Raises:
        UnreadableError: it is too long to be held.
    """
    if size > MAX_BYTES:
        raise UnreadableError("a row of it is longer than 1 MiB")


def header_of(record: list[str] | Fault) -> list[str]:
    """The names of the columns in the first row; none where it is blank.

    Raises:
        UnreadableError: it does not name columns of bicycles.
    """
    if isinstance(record, Fault):
        raise UnreadableError(record.detail)
    names = names_of(record)
    if not all(map(is_utf_8, names)):
        raise UnreadableError("its header is not UTF-8: save the file as CSV in UTF-8")
    wrong = wrong_names(names, every_name())
    if wrong:
        raise UnreadableError("; ".join(wrong))
    return names


def _row(place: str, header: list[str], cells: list[str]) -> Bike | Refused:
    if len(cells) != len(header):
        words = f"has {len(cells)} cells and the header {len(header)}: leave a cell empty, not out"
        return Refused(place, "", (Fault("", words),))
    return bike(place, dict(zip(header, cells, strict=True)))
