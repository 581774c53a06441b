"""The caller's workshop: everything a calculation needs to know of it, read in one transaction."""

from typing import Final, NamedTuple

from litestar.di import NamedDependency

from cotterline.api.caller import Caller
from cotterline.bench.workshop import Workshop
from cotterline.store.database import Database, ReadTransaction
from cotterline.store.shop_documents import SETTINGS


class WorkshopAsKept(NamedTuple):
    """A workshop, and which version of its settings that is."""

    workshop: Workshop
    settings_version: int


UNSET_WORKSHOP: Final = WorkshopAsKept(Workshop(), 0)
"""One that never set anything."""


async def read(tx: ReadTransaction) -> WorkshopAsKept:
    """The tenant's workshop as it is now."""
    settings = await SETTINGS.current(tx)
    return WorkshopAsKept(Workshop(profile=settings.content), settings.version)


async def workshop(caller: NamedDependency[Caller], database: NamedDependency[Database]) -> Workshop:
    """The dependency ``workshop``: the caller's."""
    async with database.read(caller.tenant) as tx:
        return (await read(tx)).workshop
