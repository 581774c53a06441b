"""The shop that calls."""

from datetime import UTC, datetime
from uuid import UUID

import msgspec
from litestar import get
from litestar.di import NamedDependency

from cotterline.api.caller import Caller
from cotterline.api.operation import EXAMPLE_ID, Example
from cotterline.bench.errors import CotterlineError
from cotterline.store import shops
from cotterline.store.database import Database
from cotterline.store.keys import ordered
from cotterline.store.tenancy import SCOPES, Mode, Scope


class Shop(msgspec.Struct, frozen=True, kw_only=True):
    """The shop a key belongs to, and what the key may do in it.

    Attributes:
        id: names the shop.
        name: the shop's name.
        created_at: when it was added.
        mode: whether this key sees the shop's live data or its test data.
        scopes: what this key may do; none includes another.
    """

    id: UUID
    name: str
    created_at: datetime
    mode: Mode
    scopes: tuple[Scope, ...]


def _example() -> Shop:
    begun = datetime(2024, 5, 1, 9, 30, tzinfo=UTC)
    return Shop(id=UUID(EXAMPLE_ID), name="Tide mill", created_at=begun, mode="live", scopes=SCOPES)


@get(
    "/v1/shop",
    operation_id="readShop",
    tags=["shop"],
    summary="Whose key this is",
    opt={"scope": "read", "examples": {"shop": Example("A shop", _example)}},
)
async def read(caller: NamedDependency[Caller], database: NamedDependency[Database]) -> Shop:
    """Tell which shop the key belongs to, in which mode, and what it may do."""
    async with database.read(caller.tenant) as tx:
        row = await shops.get(tx)
    if row is None:
        raise CotterlineError("not-found", "This shop is no longer there.")
    told = msgspec.structs.asdict(row)
    return Shop(**told, mode=caller.tenant.mode, scopes=ordered(caller.scopes))
