"""The catalogue: what the shop can fit, sent and given whole, as JSON or as a table."""

from collections.abc import Iterator
from typing import Annotated, Any, Final, TypeVar

import msgspec
from litestar import Request, Response, get, put
from litestar.di import NamedDependency
from litestar.params import JSONBody
from msgspec import Meta

from cotterline.api import examples
from cotterline.api.caller import Caller
from cotterline.api.conditions import KEPT, etag, is_current, not_modified, overtaken, require, wanted_tags
from cotterline.api.csv_table import CONTENT_TYPE, CSV_ANSWER, MAX_BYTES, Column, CsvTable, csv_wanted, listed
from cotterline.api.operation import NOT_MODIFIED, Example
from cotterline.api.shop_documents import Desk
from cotterline.bench.errors import Fault
from cotterline.bench.pricing.catalogue import Part, check_parts
from cotterline.bench.quantity import refuse
from cotterline.store import parts
from cotterline.store.audit import record
from cotterline.store.database import Database, WriteTransaction
from cotterline.store.parts import Listing

PATH: Final = "/v1/parts"
Listed = TypeVar("Listed", bound=msgspec.Struct)
_CELLS: Final = {"shell_width", "spindle_length", "spindle_asymmetry", "thread_outside_diameter", "thickness"}


class Catalogue(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Everything the shop can fit.

    Attributes:
        parts: in the shop's own order, each number once.
    """

    parts: Annotated[tuple[Part, ...], Meta(max_length=20_000)] = ()


def _check(catalogue: Catalogue) -> Iterator[Fault]:
    yield from check_parts(catalogue.parts, "/parts")


_COLUMNS = [Column(name, "number" if name in _CELLS else "text", name) for name in Part.__struct_fields__]
TABLE: Final = CsvTable(Catalogue, listed("parts", _COLUMNS), _check)


def tags(found: Listing | None) -> tuple[str, str]:
    """The entity tags of a list's version, as JSON and as a table."""
    version = found.tag.hex if found else "0"
    return etag(version), etag(version, "csv")


def answer(
    request: Request[Any, Any, Any],
    found: Listing | None,
    content: Listed,
    table: CsvTable[Listed],
) -> Response[Any]:
    """A whole list in the form the client would rather have."""
    as_json, as_table = tags(found)
    headers = {**KEPT, "Vary": "Accept"}
    if csv_wanted(request):
        return Response(table.write(content), headers=headers | {"ETag": as_table}, media_type=CONTENT_TYPE)
    return Response(content, headers=headers | {"ETag": as_json})


@get(
    PATH,
    operation_id="readParts",
    tags=["parts"],
    summary="Read the catalogue",
    opt={
        "scope": "read",
        "answer": Catalogue,
        "content": CSV_ANSWER,
        "takes": ["If-None-Match"],
        "examples": {"empty": Example("Nothing was ever sent", Catalogue)},
        "headers": ["ETag"],
        "also": NOT_MODIFIED,
    },
)
async def read(
    request: Request[Any, Any, Any], caller: NamedDependency[Caller], database: NamedDependency[Database]
) -> Response[Catalogue] | Response[None]:
    """Give the whole catalogue, as JSON or as a table."""
    async with database.read(caller.tenant) as tx:
        found = await parts.listing(tx)
        tag = tags(found)[csv_wanted(request)]
        if is_current(request, tag):
            return not_modified(tag)
        content = Catalogue(parts=tuple(await parts.every(tx)))
    return answer(request, found, content, TABLE)


@put(
    PATH,
    operation_id="replaceParts",
    tags=["parts"],
    summary="Replace the catalogue",
    request_max_body_size=MAX_BYTES,
    opt={
        "scope": "administer",
        "takes": ["If-Match"],
        "table": TABLE,
        "content": CSV_ANSWER,
        "examples": {"few": Example("A unit, bolts and a chain", lambda data: data, examples.read("parts"))},
        "headers": ["ETag"],
    },
)
async def replace(
    request: Request[Any, Any, Any], data: JSONBody[Catalogue], desk: NamedDependency[Desk]
) -> Response[Catalogue]:
    """Put the body in the place of the whole catalogue, as JSON or as a table; one bad row refuses all of it."""
    wanted = wanted_tags(request)
    refuse([*_check(data)])
    now = Listing(tag=desk.stamp.id, created_at=desk.stamp.now, actor=desk.caller.key_id)
    async with desk.database.write(desk.caller.tenant) as tx:
        seen = await parts.listing(tx)
        require(wanted, *tags(seen))
        if not await parts.replace(tx, seen, now, data.parts):
            raise overtaken()
        await _record(tx, desk, len(data.parts))
    return answer(request, now, data, TABLE)


async def _record(tx: WriteTransaction, desk: Desk, count: int) -> None:
    await record(
        tx,
        desk.caller.tenant,
        at=desk.stamp.now,
        actor=desk.caller.key_id,
        action="parts.replaced",
        subject_kind="parts",
        subject_id=str(desk.caller.tenant.shop),
        detail={"parts": count},
    )
