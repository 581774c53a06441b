"""The labour book: a shop's operations and contingencies, row by row or as a table."""

from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Final

from litestar import Request, Response, get, patch, put
from litestar.di import NamedDependency
from litestar.params import JSONBody
from msgspec import UNSET, Meta, Struct, UnsetType

from cotterline.api import examples
from cotterline.api.caller import Caller
from cotterline.api.csv_table import CSV_ANSWER, Column, CsvTable, Layout, MisplacedError, Path
from cotterline.api.merge_patch import MEDIA_TYPE
from cotterline.api.operation import NOT_MODIFIED, Example
from cotterline.api.shop_documents import Desk, Form, Names, ServedDocument, Version
from cotterline.bench.labour.book import DEFAULT_BOOK, ContingencyId, LabourBook, OperationId, check_book
from cotterline.bench.quantity import refuse
from cotterline.bench.shop import NO_NUL
from cotterline.store.database import Database
from cotterline.store.shop_documents import LABOUR_BOOK

PATH: Final = "/v1/labour-book"
_MEMBERS: Final = {"operation": "operations", "contingency": "contingencies"}
_PATCH = b'{"operations":{"chase_threads":{"minutes":{"low":9,"likely":14,"high":26}}}}'


class ShownLabourBook(LabourBook, frozen=True, kw_only=True):
    """A shop's labour book: all operations and contingencies by id, the operations in the order of the bench.

    Attributes:
        operations: what can be done, and how long it takes.
        contingencies: what may go wrong.
        invented: JSON pointers of the rows that are still as they were shipped. Their figures are invented, measured
            nowhere: replace them with your own. Only told; what is sent here is passed over.
    """

    invented: Annotated[tuple[Annotated[str, Meta(max_length=60, pattern=NO_NUL)], ...], Meta(max_length=400)] = ()


class LabourBookPatch(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A JSON Merge Patch (RFC 7396) of the labour book: rows that are absent stay, null removes one.

    Attributes:
        operations: rows to change or add, each merged member by member; its lists are replaced whole.
        contingencies: the same for what may go wrong.
    """

    operations: Annotated[dict[OperationId, dict[str, Any] | None], Meta(max_length=200)] | UnsetType = UNSET
    contingencies: Annotated[dict[ContingencyId, dict[str, Any] | None], Meta(max_length=200)] | UnsetType = UNSET


def shown(book: LabourBook) -> ShownLabourBook:
    """The book with the places of those rows that are still as shipped."""
    shipped = DEFAULT_BOOK
    operations = [f"/operations/{name}" for name, row in book.operations.items() if shipped.operations.get(name) == row]
    risks = [
        f"/contingencies/{name}" for name, row in book.contingencies.items() if shipped.contingencies.get(name) == row
    ]
    return ShownLabourBook(operations=book.operations, contingencies=book.contingencies, invented=(*operations, *risks))


def _check(book: LabourBook) -> None:
    refuse([*check_book(book)])


def _own(book: ShownLabourBook) -> LabourBook:
    return LabourBook(operations=book.operations, contingencies=book.contingencies)


def _columns() -> Iterator[Column]:
    operations, contingencies = _MEMBERS.values()
    yield Column("table", "text", "")
    yield Column("id", "text", "")
    yield Column("grade", "text", "")
    yield Column("name", "text", "name")
    yield Column("labour_class", "text", "labour_class", member=operations)
    yield from (Column(f"minutes_{part}", "number", f"minutes.{part}", member=operations) for part in _TIMES)
    yield Column("when", "text", "when", member=operations)
    yield Column("after", "words", "after", member=operations)
    yield Column("times", "whole", "times", member=operations)
    yield Column("tools", "texts", "tools", member=operations)
    yield Column("torque", "text", "torque", member=operations)
    yield Column("cautions", "words", "cautions", member=operations)
    yield Column("option", "text", "option", member=operations)
    yield Column("operation", "text", "operation", member=contingencies)
    yield Column("chance", "number", "chance", member=contingencies)
    yield from (Column(f"extra_{part}", "number", f"extra.{part}", member=contingencies) for part in _TIMES)
    yield Column("odds", "factors", "odds", member=contingencies)
    yield Column("follows", "text", "after", member=contingencies)
    yield Column("ask", "yes_no", "ask", member=contingencies)
    yield Column("question", "text", "question", member=contingencies)
    yield Column("chance_from", "text", "chance_from", member=contingencies)
    yield Column("cost", "text", "cost", member=contingencies)


_TIMES: Final = ("low", "likely", "high")


def _place(cells: Mapping[str, str], _before: int) -> Path:
    member = _MEMBERS.get(cells.get("table", ""))
    if member is None:
        raise MisplacedError("table", f"must be one of {', '.join(_MEMBERS)}")
    if "id" not in cells:
        raise MisplacedError("id", "is required")
    return member, cells["id"]


def _rows(document: dict[str, Any]) -> Iterator[tuple[Path, Mapping[str, Any]]]:
    invented = {*document["invented"]}
    for table, member in _MEMBERS.items():
        for name, row in document[member].items():
            grade = "invented" if f"/{member}/{name}" in invented else "own"
            yield (member, name), {**row, "table": table, "id": name, "grade": grade}


TABLE: Final = CsvTable(ShownLabourBook, Layout([*_columns()], _place, _rows, lambda grown: grown, "id"), check_book)
_SERVED = ServedDocument(
    LABOUR_BOOK,
    Names(PATH, "labour_book", "labour book", "replaceLabourBook", "changeLabourBook"),
    Form(_check, shown, TABLE),
)


def _default(_: object = None) -> ShownLabourBook:
    return shown(DEFAULT_BOOK)


@get(
    PATH,
    operation_id="readLabourBook",
    tags=["labour"],
    summary="Read the shop's labour book",
    opt={
        "scope": "read",
        "answer": ShownLabourBook,
        "content": CSV_ANSWER,
        "takes": ["If-None-Match"],
        "examples": {"default": Example("As shipped: every figure is invented", _default)},
        "headers": ["ETag", "Content-Location"],
        "links": _SERVED.links,
        "also": NOT_MODIFIED,
    },
)
async def read(
    request: Request[Any, Any, Any], caller: NamedDependency[Caller], database: NamedDependency[Database]
) -> Response[ShownLabourBook] | Response[None]:
    """Give the labour book in force, as JSON or as a table; `invented` names the rows that are shipped defaults."""
    return await _SERVED.read(request, caller, database)


@get(
    PATH + "/versions/{version:int}",
    operation_id="readLabourBookVersion",
    tags=["labour"],
    summary="Read an old version of the labour book",
    opt={"scope": "read", "headers": ["ETag"], "examples": {"default": Example("As shipped", _default)}},
)
async def read_version(
    version: Version, caller: NamedDependency[Caller], database: NamedDependency[Database]
) -> Response[ShownLabourBook]:
    """Give the labour book as it once was; 0 is the shipped one."""
    return await _SERVED.read_version(version, caller, database)


@put(
    PATH,
    operation_id="replaceLabourBook",
    tags=["labour"],
    summary="Replace the labour book",
    opt={
        "scope": "administer",
        "takes": ["If-Match"],
        "table": TABLE,
        "content": CSV_ANSWER,
        "examples": {
            "small": Example(
                "Two operations of a shop's own", lambda book: shown(_own(book)), examples.read("labour_book")
            )
        },
        "headers": ["ETag", "Content-Location"],
    },
)
async def replace(
    request: Request[Any, Any, Any], data: JSONBody[ShownLabourBook], desk: NamedDependency[Desk]
) -> Response[ShownLabourBook]:
    """Put the body in the place of the whole book, as JSON or as a table; a table with one bad row is refused whole."""
    return await _SERVED.replace(request, _own(data), desk)


@patch(
    PATH,
    operation_id="changeLabourBook",
    tags=["labour"],
    summary="Change rows of the labour book",
    opt={
        "scope": "administer",
        "media": MEDIA_TYPE,
        "takes": ["If-Match"],
        "examples": {
            "slower": Example("Other minutes", lambda change: shown(_SERVED.patched(DEFAULT_BOOK, change)), _PATCH)
        },
        "headers": ["ETag", "Content-Location"],
    },
)
async def change(
    request: Request[Any, Any, Any], data: JSONBody[LabourBookPatch], desk: NamedDependency[Desk]
) -> Response[ShownLabourBook]:
    """Merge a patch into the book; null removes a row."""
    return await _SERVED.change(request, data, desk)
