"""Price lists: what each supplier asks, sent and given whole, as JSON or as a table."""

from datetime import UTC, datetime
from typing import Annotated, Any, Final
from uuid import UUID

import msgspec
from litestar import Request, Response, delete, get, put
from litestar.di import NamedDependency
from litestar.params import JSONBody, PathParameter

from cotterline.api import examples
from cotterline.api.caller import Caller
from cotterline.api.conditions import is_current, makes_it, not_modified, overtaken, require, wanted_tags
from cotterline.api.csv_table import CSV_ANSWER, MAX_BYTES, Column, CsvTable, csv_wanted, listed
from cotterline.api.operation import EXAMPLE_ID, NOT_MODIFIED, Example
from cotterline.api.parts import answer, tags
from cotterline.api.shop_documents import Desk
from cotterline.bench.errors import CotterlineError, Fault
from cotterline.bench.pricing.catalogue import PriceList, check_price_list
from cotterline.bench.quantity import refuse
from cotterline.store import price_lists
from cotterline.store.audit import record
from cotterline.store.database import Database, WriteTransaction
from cotterline.store.price_lists import PriceListing

PATH: Final = "/v1/price-lists"
SupplierName = Annotated[
    str, PathParameter(min_length=1, max_length=60, description="The shop's name for the supplier.")
]
_COLUMNS: Final = [
    Column("supplier", "text", "supplier", of_all=True),
    Column("currency", "text", "currency", of_all=True),
    Column("sku", "text", "sku"),
    Column("price", "amount", "price"),
    Column("breaks", "steps", "breaks"),
    Column("stock", "whole", "stock"),
    Column("lead_days", "whole", "lead_days"),
    Column("gtin", "text", "gtin"),
]
TABLE: Final = CsvTable(PriceList, listed("offers", _COLUMNS), lambda prices: check_price_list(prices, ""))


class PriceListEntry(msgspec.Struct, frozen=True, kw_only=True):
    """What is told of a price list.

    Attributes:
        supplier: the shop's name for the supplier.
        currency: of every price in it.
        offers: how many there are.
        created_at: when it was sent.
        by: id of the key it was sent with.
    """

    supplier: str
    currency: str
    offers: int
    created_at: datetime
    by: str


class PriceListIndex(msgspec.Struct, frozen=True, kw_only=True):
    """Every price list the shop has.

    Attributes:
        price_lists: by the suppliers' names.
    """

    price_lists: tuple[PriceListEntry, ...]


def _entry(row: PriceListing) -> PriceListEntry:
    return PriceListEntry(
        supplier=row.supplier,
        currency=row.currency,
        offers=row.offers,
        created_at=row.created_at,
        by=row.actor,
    )


_ROW = PriceListing(
    tag=UUID(EXAMPLE_ID),
    created_at=datetime(2024, 5, 1, 9, 30, tzinfo=UTC),
    actor=EXAMPLE_ID,
    supplier="north depot",
    currency="EUR",
    offers=3,
)


@get(
    PATH,
    operation_id="listPriceLists",
    tags=["parts"],
    summary="List the suppliers' price lists",
    opt={
        "scope": "read",
        "examples": {"one": Example("One supplier", lambda: PriceListIndex(price_lists=(_entry(_ROW),)))},
    },
)
async def every(caller: NamedDependency[Caller], database: NamedDependency[Database]) -> PriceListIndex:
    """Give what is told of every price list: whose it is, its currency, how long it is, and since when."""
    async with database.read(caller.tenant) as tx:
        found = await price_lists.listings(tx)
    return PriceListIndex(price_lists=tuple(map(_entry, found)))


@get(
    PATH + "/{supplier:str}",
    operation_id="readPriceList",
    tags=["parts"],
    summary="Read a price list",
    opt={
        "scope": "read",
        "answer": PriceList,
        "content": CSV_ANSWER,
        "takes": ["If-None-Match"],
        "examples": {"few": Example("A few offers", lambda: examples.typed("price_list", PriceList))},
        "headers": ["ETag"],
        "also": NOT_MODIFIED,
    },
)
async def read(
    request: Request[Any, Any, Any],
    supplier: SupplierName,
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
) -> Response[PriceList] | Response[None]:
    """Give a supplier's whole price list, as JSON or as a table."""
    async with database.read(caller.tenant) as tx:
        found = _there(await price_lists.listing(tx, supplier))
        tag = tags(found)[csv_wanted(request)]
        if is_current(request, tag):
            return not_modified(tag)
        content = await price_lists.get(tx, found)
    return answer(request, found, content, TABLE)


@put(
    PATH + "/{supplier:str}",
    operation_id="replacePriceList",
    tags=["parts"],
    summary="Make or replace a price list",
    request_max_body_size=MAX_BYTES,
    opt={
        "scope": "administer",
        "takes": ["If-Match to replace", "If-None-Match to make"],
        "refusals": (409,),
        "table": TABLE,
        "content": CSV_ANSWER,
        "examples": {"few": Example("A few offers", lambda data: data, examples.read("price_list"))},
        "headers": ["ETag"],
    },
)
async def replace(
    request: Request[Any, Any, Any],
    supplier: SupplierName,
    data: JSONBody[PriceList],
    desk: NamedDependency[Desk],
) -> Response[PriceList]:
    """Put the body in the place of a supplier's list, or make one with `If-None-Match: *`; one bad row refuses it."""
    wanted = "" if makes_it(request) else wanted_tags(request)
    stamp, actor = desk.stamp, desk.caller.key_id
    now = PriceListing(
        tag=stamp.id,
        created_at=stamp.now,
        actor=actor,
        supplier=supplier,
        currency=data.currency,
        offers=len(data.offers),
    )
    async with desk.database.write(desk.caller.tenant) as tx:
        seen = await price_lists.listing(tx, supplier)
        if wanted:
            require(wanted, *tags(_there(seen)))
        refuse([*_faults(data, supplier)])
        await price_lists.make_room(tx, seen, now)
        if (seen and not wanted) or not await price_lists.replace(tx, seen, now, data):
            raise overtaken()
        await _record(tx, desk, "replaced" if seen else "created", now)
    return answer(request, now, data, TABLE)


@delete(
    PATH + "/{supplier:str}",
    operation_id="deletePriceList",
    tags=["parts"],
    summary="Delete a price list",
    opt={"scope": "administer", "takes": ["If-Match"]},
)
async def remove(request: Request[Any, Any, Any], supplier: SupplierName, desk: NamedDependency[Desk]) -> None:
    """Take a supplier's list away; quotes already computed keep what they were priced with."""
    wanted = wanted_tags(request)
    async with desk.database.write(desk.caller.tenant) as tx:
        seen = _there(await price_lists.listing(tx, supplier))
        require(wanted, *tags(seen))
        if not await price_lists.remove(tx, seen):
            raise overtaken()
        await _record(tx, desk, "deleted", seen)


def _there(found: PriceListing | None) -> PriceListing:
    if found is None:
        raise CotterlineError("not-found", "There is no price list of this supplier.")
    return found


def _faults(data: PriceList, supplier: str) -> list[Fault]:
    named = [] if data.supplier == supplier else [Fault("/supplier", "must be the supplier named in the address")]
    return [*named, *check_price_list(data, "")]


async def _record(tx: WriteTransaction, desk: Desk, done: str, listing: PriceListing) -> None:
    await record(
        tx,
        desk.caller.tenant,
        at=desk.stamp.now,
        actor=desk.caller.key_id,
        action=f"price_list.{done}",
        subject_kind="price_list",
        subject_id=listing.supplier,
        detail={"offers": listing.offers, "currency": listing.currency},
    )
