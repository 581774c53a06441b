"""A document as a CSV table and back: the same document as its JSON, held to the same rules, told by row and column.

A table is taken whole or not at all. The cells become the JSON a client would have sent; the service's own reading
then checks everything but the spelling of cells, and whatever it finds at a JSON pointer is told by row and column.
Rows are numbered as a spreadsheet does, the header being row 1.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from io import StringIO
from typing import Any, Final, Generic, NamedTuple, TypeVar

import msgspec
from litestar import Request
from msgspec import UNSET, UnsetType

from cotterline.api import csv_cells
from cotterline.api.body import CSV, decode
from cotterline.api.csv_cells import Cell
from cotterline.api.csv_text import names_of, records, written, wrong_names
from cotterline.api.problems import MAX_ERRORS, ProblemError, RequestRefusedError
from cotterline.bench.errors import Fault

CONTENT_TYPE: Final = f"{CSV}; header=present"
"""RFC 4180, section 3; the charset is added to it."""

MAX_BYTES: Final = 16 * 1024 * 1024
"""Longest table taken: 20,000 rows of 800 bytes."""

_LONGEST_ROW: Final = 1024 * 1024
_MOST_ROWS: Final = 25_000
"""Rows that are looked at: more than any document may have, and each takes many times its length in memory."""

Content = TypeVar("Content", bound=msgspec.Struct)
Path = tuple[str, ...]


CSV_ANSWER: Final[Mapping[str, Any]] = {CSV: {"schema": {"type": "string"}}}
"""What ``opt={"content": ...}`` says of an answer that can also be had as a table."""


def csv_wanted(request: Request[Any, Any, Any]) -> bool:
    """Whether the client would rather have a table than JSON (RFC 9110, section 12.5.1)."""
    return request.accept.best_match(["application/json", CSV]) == CSV


class Column(NamedTuple):
    """One column.

    Attributes:
        name: as the header spells it.
        cell: how its cells are spelled.
        path: where the value goes in its row's object, the parts parted by dots; empty for what is only told.
        of_all: whether it says something of the document itself, the same in every row.
        member: the member of the document whose rows alone have it; empty for all.
    """

    name: str
    cell: Cell
    path: str
    of_all: bool = False
    member: str = ""

    def belongs(self, place: Sequence[str]) -> bool:
        """Whether a row at ``place`` can have it."""
        return not self.of_all and self.member in {"", place[0]}


class MisplacedError(Exception):
    """A row that does not say where it belongs, by the column that should."""

    def __init__(self, column: str, words: str) -> None:
        super().__init__(words)
        self.column = column
        self.words = words


class Layout(NamedTuple):
    """How a document lies in rows.

    Attributes:
        columns: all there are, in the order in which they are written.
        place: path of the object that a row is, from its cells and how many rows there were before it.
        rows: each row's place in a document and its object, with what the columns without a path tell.
        whole: the document, from the object that all rows went into.
        key: the column that names a row, if one does.
    """

    columns: Sequence[Column]
    place: Callable[[Mapping[str, str], int], Path]
    rows: Callable[[dict[str, Any]], Iterator[tuple[Path, Mapping[str, Any]]]]
    whole: Callable[[dict[str, Any]], dict[str, Any]]
    key: str = ""


class CsvTable(Generic[Content]):
    """Reads and writes one kind of document.

    Args:
        kind: the document's type.
        layout: how it lies in rows.
        check: yields what a schema cannot say.
    """

    def __init__(self, kind: type[Content], layout: Layout, check: Callable[[Content], Iterator[Fault]]) -> None:
        self.layout = layout
        self._kind = kind
        self._check = check

    def write(self, content: Content) -> bytes:
        """The document as CSV."""
        document: dict[str, Any] = msgspec.to_builtins(content)
        columns = self.layout.columns
        rows = [
            [csv_cells.write(column.cell, _found(place, row, column, document)) for column in columns]
            for place, row in self.layout.rows(document)
        ]
        return written([[column.name for column in columns], *rows]).encode()

    def read(self, raw: bytes) -> Content:
        """The document in a CSV body.

        Raises:
            RequestRefusedError: ``invalid-table``, naming row and column of everything that is wrong.
        """
        sheet = Sheet(self.layout)
        sheet.fill(_lines(raw))
        _refuse(sheet.faults)
        try:
            found: Content = decode(msgspec.json.encode(self.layout.whole(sheet.grown)), self._kind)
        except RequestRefusedError as error:
            _refuse([sheet.at(each.pointer or "", each.detail) for each in error.errors])
            raise
        _refuse([sheet.at(fault.pointer, fault.detail) for fault in self._check(found)])
        return found


class Sheet:
    """The rows of one body, as they become a document."""

    def __init__(self, layout: Layout) -> None:
        self.grown: dict[str, Any] = {}
        self.faults: list[ProblemError] = []
        self._layout = layout
        self._columns = {column.name: column for column in layout.columns}
        self._numbers: dict[Path, int] = {}
        self._of_all: dict[str, tuple[str, int]] = {}

    def fill(self, lines: Iterator[str]) -> None:
        """Take every row."""
        header: list[str] = []
        for number, record in enumerate(_held(lines), start=1):
            if isinstance(record, Fault):
                self._fault(number, UNSET, record.detail)
            elif not header:
                header = names_of(record)
                _refuse([ProblemError(row=number, detail=words) for words in wrong_names(header, self._columns)])
            elif any(cell.strip() for cell in record):
                self._take(number, header, record)
            if len(self.faults) >= MAX_ERRORS:
                return
            if len(self._numbers) > _MOST_ROWS:
                _refuse([ProblemError(row=number, detail=f"is one more than {_MOST_ROWS} rows, which is too many")])
        if not header:
            _refuse([ProblemError(detail="there is no header: the first row names the columns")])

    def at(self, pointer: str, detail: str) -> ProblemError:
        """What is wrong at a place of the document, by row and column."""
        parts = tuple(part.replace("~1", "/").replace("~0", "~") for part in pointer.split("/")[1:])
        for length in range(len(parts), 0, -1):
            number = self._numbers.get(parts[:length])
            if number is not None:
                own = [column for column in self._layout.columns if column.belongs(parts)]
                name = _column(parts[length:], own) or self._layout.key
                return ProblemError(row=number, column=name or UNSET, detail=detail)
        column = _column(parts, [column for column in self._layout.columns if column.of_all])
        if not column:
            return ProblemError(pointer=pointer, detail=detail)
        return ProblemError(
            row=self._of_all[column][1] if column in self._of_all else UNSET, column=column, detail=detail
        )

    def _take(self, number: int, header: Sequence[str], record: Sequence[str]) -> None:
        if len(record) != len(header):
            words = f"has {len(record)} cells and the header {len(header)}: leave a cell empty, not out"
            self._fault(number, UNSET, words)
            return
        cells = {name: cell.strip() for name, cell in zip(header, record, strict=True) if cell.strip()}
        try:
            place = self._layout.place(cells, len(self._numbers))
        except MisplacedError as error:
            self._fault(number, error.column, error.words)
            return
        if place in self._numbers:
            self._fault(number, UNSET, f"is row {self._numbers[place]} again")
            return
        self._numbers[place] = number
        row = _grown(self.grown, place)
        for name, text in cells.items():
            column = self._columns[name]
            if column.of_all or column.belongs(place):
                self._put(number, column, text, row)
            else:
                self._fault(number, name, f"is only for {column.member}")

    def _put(self, number: int, column: Column, text: str, row: dict[str, Any]) -> None:
        if not column.path:
            return
        if column.of_all and self._of_all.setdefault(column.name, (text, number))[0] != text:
            words = f"must be {self._of_all[column.name][0]!r}, as in row {self._of_all[column.name][1]}"
            self._fault(number, column.name, words)
            return
        *above, last = column.path.split(".")
        try:
            _grown(self.grown if column.of_all else row, above)[last] = csv_cells.read(column.cell, text)
        except ValueError as error:
            self._fault(number, column.name, str(error))

    def _fault(self, row: int, column: str | UnsetType, detail: str) -> None:
        self.faults.append(ProblemError(row=row, column=column, detail=detail))


def listed(member: str, columns: Sequence[Column]) -> Layout:
    """The layout of a document whose rows are the items of one list."""

    def place(_cells: Mapping[str, str], before: int) -> Path:
        return member, str(before)

    def rows(document: dict[str, Any]) -> Iterator[tuple[Path, Mapping[str, Any]]]:
        yield from (((member,), row) for row in document[member])

    def whole(grown: dict[str, Any]) -> dict[str, Any]:
        return grown | {member: [*grown.get(member, {}).values()]}

    return Layout(columns, place, rows, whole)


def _column(path: Path, among: Sequence[Column]) -> str:
    """The name of the column of a member, or of what holds it; empty where there is none."""
    for length in range(len(path), 0, -1):
        for column in among:
            if f"{column.path}.".startswith(".".join(path[:length]) + "."):
                return column.name
    return ""


def _found(place: Path, row: Mapping[str, Any], column: Column, document: dict[str, Any]) -> Any:  # noqa: ANN401 - JSON
    """The value of a column; None where there is none."""
    if not column.of_all and not column.belongs(place):
        return None
    node: Any = document if column.of_all else row
    for part in (column.path or column.name).split("."):
        node = node.get(part) if isinstance(node, dict) else None
    return node


def _grown(node: dict[str, Any], path: Sequence[str]) -> dict[str, Any]:
    """The object at the end of a path, made where it is not there."""
    for part in path:
        node = node.setdefault(part, {})
    return node


def _held(lines: Iterator[str]) -> Iterator[list[str] | Fault]:
    """The records, as long as each can be held."""
    size = number = 0

    def text() -> Iterator[str]:
        nonlocal size
        for line in lines:
            size += len(line)
            if size > _LONGEST_ROW:
                _refuse([ProblemError(row=number + 1, detail=f"is longer than {_LONGEST_ROW} characters")])
            yield line

    for record in records(text()):
        yield record
        size, number = 0, number + 1


def _lines(raw: bytes) -> Iterator[str]:
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        words = "it is in UTF-16: save it as CSV in UTF-8" if raw[:2] in {b"\xff\xfe", b"\xfe\xff"} else "not UTF-8"
        _refuse([ProblemError(row=raw.count(b"\n", 0, error.start) + 1, detail=words)])
        raise
    return iter(StringIO(text, newline=""))  # which parts lines at the ends of lines alone


def _refuse(faults: Sequence[ProblemError]) -> None:
    if faults:
        words = "The table was refused whole: nothing of it was kept."
        raise RequestRefusedError("invalid-table", words, faults[:MAX_ERRORS])
