"""Suppliers: whom the shop orders from, and whether orders get through to them."""

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Annotated, Any, Final, Literal
from zoneinfo import ZoneInfo

import msgspec
from litestar import Request, Response, delete, get, post, put
from litestar.di import NamedDependency
from litestar.params import JSONBody, PathParameter
from msgspec import UNSET, UnsetType

from cotterline.api import examples
from cotterline.api.caller import Caller
from cotterline.api.conditions import (
    KEPT,
    etag,
    is_current,
    makes_it,
    not_modified,
    overtaken,
    require,
    wanted_tags,
)
from cotterline.api.endpoints import Endpoints
from cotterline.api.operation import EXAMPLE_ID, NOT_MODIFIED, Example
from cotterline.api.receivers import enabled, note, told
from cotterline.api.shop_documents import Desk
from cotterline.bench.errors import CotterlineError, Fault
from cotterline.bench.quantity import refuse
from cotterline.bench.suppliers import Mapped, Supplier, check_supplier
from cotterline.documents.mapping import check_mapping
from cotterline.store import deliveries, receiver_secrets, receivers, shops
from cotterline.store.database import Database, ReadTransaction, WriteTransaction
from cotterline.store.receivers import Receiver, supplier_of

PATH: Final = "/v1/suppliers"
SupplierName = Annotated[
    str, PathParameter(min_length=1, max_length=60, description="The shop's name for the supplier, as in price lists.")
]


class SupplierEntry(msgspec.Struct, frozen=True, kw_only=True):
    """What a list tells of a supplier.

    Attributes:
        supplier: the shop's name for it.
        state: ``failing`` after a post that failed, until one gets through; to a ``disabled`` one nothing is posted.
        endpoint: where orders are posted to.
        created_at: when it was made.
        changed_at: when it was last set.
        by: id of the key it was last set with.
        failing_since: the first of the posts that failed.
        disabled_at: since when nothing is posted.
        disabled_why: why not, in words.
    """

    supplier: str
    state: Literal["ready", "failing", "disabled"]
    endpoint: str
    created_at: datetime
    changed_at: datetime
    by: str
    failing_since: datetime | UnsetType = UNSET
    disabled_at: datetime | UnsetType = UNSET
    disabled_why: str | UnsetType = UNSET


class ShownSupplier(SupplierEntry, frozen=True, kw_only=True):
    """A supplier as the shop set it, and how it does.

    Attributes:
        settings: what was set; its secrets are told of apart.
    """

    settings: Supplier


class SupplierList(msgspec.Struct, frozen=True, kw_only=True):
    """Every supplier the shop has.

    Attributes:
        suppliers: by their names.
    """

    suppliers: tuple[SupplierEntry, ...]


def shown(row: Receiver) -> ShownSupplier:
    """A supplier for the wire."""
    settings = supplier_of(row)
    return ShownSupplier(**_told(row, settings), settings=settings)


def _entry(row: Receiver) -> SupplierEntry:
    return SupplierEntry(**_told(row, supplier_of(row)))


def _told(row: Receiver, settings: Supplier) -> dict[str, Any]:
    return told(row) | {"supplier": row.name, "endpoint": settings.endpoint}


def _tag(row: Receiver) -> str:
    """Names what is shown: two suppliers that bore one name one after the other differ, and so do two failures."""
    return etag(row.version, *(f"{at:%y%m%d%H%M%S%f}" for at in (row.created_at, row.failing_since) if at))


def _answer(row: Receiver) -> Response[ShownSupplier]:
    return Response(shown(row), headers={**KEPT, "ETag": _tag(row)})


_BODY: Final = examples.read("supplier")
_ROW: Final = Receiver(
    kind="supplier",
    name="north depot",
    version=1,
    created_at=datetime(2024, 5, 1, 9, 30, tzinfo=UTC),
    changed_at=datetime(2024, 5, 1, 9, 30, tzinfo=UTC),
    actor=EXAMPLE_ID,
    content=_BODY,
)


def _example(data: Supplier) -> ShownSupplier:
    return shown(msgspec.structs.replace(_ROW, content=msgspec.json.encode(data)))


def _links() -> dict[str, Any]:
    asked = {"readSupplier": "Read it again.", "makeSupplierSecret": "Give it a secret."}
    named = {"supplier": "$request.path.supplier"}
    return {name: {"operationId": name, "parameters": named, "description": words} for name, words in asked.items()}


@get(
    PATH,
    operation_id="listSuppliers",
    tags=["suppliers"],
    summary="List the suppliers",
    opt={
        "scope": "administer",
        "examples": {
            "one": Example(
                "One supplier",
                lambda: SupplierList(suppliers=(_entry(_ROW),)),
            )
        },
    },
)
async def every(caller: NamedDependency[Caller], database: NamedDependency[Database]) -> SupplierList:
    """Give every supplier with its address and whether orders get through to it."""
    async with database.read(caller.tenant) as tx:
        found = await receivers.suppliers(tx)
    return SupplierList(suppliers=tuple(map(_entry, found)))


@get(
    PATH + "/{supplier:str}",
    operation_id="readSupplier",
    tags=["suppliers"],
    summary="Read a supplier",
    opt={
        "scope": "administer",
        "answer": ShownSupplier,
        "takes": ["If-None-Match"],
        "examples": {"depot": Example("A supplier", lambda: shown(_ROW))},
        "headers": ["ETag"],
        "also": NOT_MODIFIED,
    },
)
async def read(
    request: Request[Any, Any, Any],
    supplier: SupplierName,
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
) -> Response[ShownSupplier] | Response[None]:
    """Give what was set for a supplier, since when posts to it fail, and whether it is disabled and why."""
    async with database.read(caller.tenant) as tx:
        found = await there(tx, supplier)
    return not_modified(_tag(found)) if is_current(request, _tag(found)) else _answer(found)


@put(
    PATH + "/{supplier:str}",
    operation_id="replaceSupplier",
    tags=["suppliers"],
    summary="Make or replace a supplier",
    opt={
        "scope": "administer",
        "answer": ShownSupplier,
        "takes": ["If-Match to replace", "If-None-Match to make"],
        "refusals": (409,),
        "examples": {"depot": Example("Orders in UBL, with a password", _example, _BODY)},
        "headers": ["ETag"],
        "links": _links(),
    },
)
async def replace(
    request: Request[Any, Any, Any],
    supplier: SupplierName,
    data: JSONBody[Supplier],
    desk: NamedDependency[Desk],
    endpoints: NamedDependency[Endpoints],
) -> Response[ShownSupplier]:
    """Put the body in the place of what was set, or make a supplier with `If-None-Match: *`; secrets stay as they are.

    What waits for the supplier goes to its new address.
    """
    wanted = "" if makes_it(request) else wanted_tags(request)
    async with desk.database.write(desk.caller.tenant) as tx:
        seen = await receivers.get(tx, "supplier", supplier)
        if wanted:
            require(wanted, _tag(_found(seen)))
        refuse([*_faults(data, endpoints, desk)])
        if seen is None:
            await receivers.make_room(tx, "supplier")
        now = _set(seen, supplier, data, desk)
        if (seen and not wanted) or not await _keep(tx, seen, now):
            raise overtaken()
        await note(tx, desk.caller, desk.stamp.now, "replaced" if seen else "created", now)
    return _answer(now)


@delete(
    PATH + "/{supplier:str}",
    operation_id="deleteSupplier",
    tags=["suppliers"],
    summary="Delete a supplier",
    opt={"scope": "administer", "takes": ["If-Match"], "refusals": (409,)},
)
async def remove(request: Request[Any, Any, Any], supplier: SupplierName, desk: NamedDependency[Desk]) -> None:
    """Take a supplier and its secrets away, once nothing waits to be posted to it; orders stay as they are."""
    wanted = wanted_tags(request)
    async with desk.database.write(desk.caller.tenant) as tx:
        await shops.lock(tx)  # or an order could be placed with it meanwhile
        seen = await there(tx, supplier)
        require(wanted, _tag(seen))
        if await deliveries.are_open(tx, "supplier", supplier):
            raise CotterlineError("wrong-state", "Something still waits to be posted to this supplier.")
        if not await receivers.remove(tx, "supplier", supplier, seen.version):
            raise overtaken()
        await receiver_secrets.remove_all(tx, "supplier", supplier)
        await note(tx, desk.caller, desk.stamp.now, "deleted", seen)


@post(
    PATH + "/{supplier:str}/enablements",
    status_code=200,
    operation_id="enableSupplier",
    tags=["suppliers"],
    summary="Post to a supplier again",
    opt={
        "scope": "administer",
        "answer": ShownSupplier,
        "examples": {"depot": Example("A supplier that is ready", lambda: shown(_ROW))},
        "headers": ["ETag"],
    },
)
async def enable(supplier: SupplierName, desk: NamedDependency[Desk]) -> Response[ShownSupplier]:
    """Let posts go out again to a supplier that was disabled, those that were held meanwhile at once."""
    async with desk.database.write(desk.caller.tenant) as tx:
        seen = await there(tx, supplier)
        row = await enabled(tx, desk, seen)
    return _answer(row)


async def there(tx: ReadTransaction, supplier: str) -> Receiver:
    """The shop's supplier of this name.

    Raises:
        CotterlineError: ``not-found``.
    """
    return _found(await receivers.get(tx, "supplier", supplier))


def _found(row: Receiver | None) -> Receiver:
    if row is None:
        raise CotterlineError("not-found", "The shop has no supplier of this name.")
    return row


def _faults(data: Supplier, endpoints: Endpoints, desk: Desk) -> Iterator[Fault]:
    yield from check_supplier(data, "")
    if isinstance(data.body, Mapped):
        yield from _mapping_faults(data.body, "/body")
    yield from endpoints.check(data.endpoint, desk.caller.tenant.mode, "/endpoint")
    try:
        ZoneInfo(data.hours.timezone)
    except (LookupError, ValueError, OSError):  # a name there is not, one that leaves the database, a folder of it
        yield Fault("/hours/timezone", "is no name in the time zone database")


def _mapping_faults(body: Mapped, pointer: str) -> Iterator[Fault]:
    yield from check_mapping(body.expression, f"{pointer}/expression")
    if not isinstance(body.changes, UnsetType):
        yield from check_mapping(body.changes, f"{pointer}/changes")


def _set(seen: Receiver | None, supplier: str, data: Supplier, desk: Desk) -> Receiver:
    now, actor = desk.stamp.now, desk.caller.key_id
    content = msgspec.json.encode(data)
    if seen:
        return msgspec.structs.replace(seen, version=seen.version + 1, changed_at=now, actor=actor, content=content)
    return Receiver(
        kind="supplier", name=supplier, version=1, created_at=now, changed_at=now, actor=actor, content=content
    )


async def _keep(tx: WriteTransaction, seen: Receiver | None, now: Receiver) -> bool:
    return await (receivers.change(tx, now, seen.version) if seen else receivers.insert(tx, now))
