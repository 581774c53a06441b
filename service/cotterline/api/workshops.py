"""The caller's workshop: everything a calculation needs to know of it, read in one transaction."""

from collections import OrderedDict
from dataclasses import replace
from typing import Final, NamedTuple

from litestar.di import NamedDependency

from cotterline.api.caller import Caller
from cotterline.bench.pricing.catalogue import PartRole
from cotterline.bench.workshop import Workshop
from cotterline.store import labour_times, offsets, parts, price_lists
from cotterline.store.database import Database, ReadTransaction
from cotterline.store.quote_revisions import RevisionSummary
from cotterline.store.shop_documents import LABOUR_BOOK, SETTINGS
from cotterline.store.tenancy import Tenant


class WorkshopAsKept(NamedTuple):
    """A workshop, and which version of its settings that is."""

    workshop: Workshop
    settings_version: int


MOST_PREPARED: Final = 4
"""Workshops a process keeps with what it has worked out for them: some megabytes each, or some hundred for a shop that
has quoted a million bicycles of every kind."""


class Prepared:
    """The workshops that were read last, one for each tenant: what is worked out once for a workshop stays with it.

    Every read comes from the database; only if it gives the very workshop that is kept, that one is used again.
    """

    def __init__(self) -> None:
        self._kept: OrderedDict[Tenant, Workshop] = OrderedDict()

    def known(self, tenant: Tenant, found: Workshop) -> Workshop:
        """The workshop that is kept where it equals the one that was found, or else that one, which is kept now."""
        kept = self._kept.pop(tenant, found)
        self._kept[tenant] = kept if kept == found else found
        if len(self._kept) > MOST_PREPARED:
            self._kept.popitem(last=False)
        return self._kept[tenant]


_PREPARED: Final = Prepared()
_ROLES: Final[frozenset[PartRole]] = frozenset({"unit", "crank_bolts", "spacer", "chain"})
"""What a job may order."""

UNSET_WORKSHOP: Final = WorkshopAsKept(Workshop(), 0)
"""One that never set anything."""


async def read(tx: ReadTransaction) -> WorkshopAsKept:
    """The tenant's workshop as it is now."""
    settings = await SETTINGS.current(tx)
    found = Workshop(
        profile=settings.content,
        book=(await LABOUR_BOOK.current(tx)).content,
        times=tuple(await labour_times.learned_from(tx)),
        parts=tuple(await parts.of_roles(tx, _ROLES)),
        price_lists=tuple(await price_lists.for_roles(tx, _ROLES)),
        offsets=await offsets.learned_from(tx),
    )
    return WorkshopAsKept(_PREPARED.known(tx.tenant, found), settings.version)


async def as_quoted(tx: ReadTransaction, revision: RevisionSummary) -> Workshop:
    """The tenant's workshop as it is now, with the settings that a revision was computed with."""
    settings = await SETTINGS.get(tx, revision.settings_version) or SETTINGS.unset
    return replace((await read(tx)).workshop, profile=settings.content)


async def workshop(caller: NamedDependency[Caller], database: NamedDependency[Database]) -> Workshop:
    """The dependency ``workshop``: the caller's."""
    async with database.read(caller.tenant) as tx:
        return (await read(tx)).workshop


async def crank_workshop(caller: NamedDependency[Caller], database: NamedDependency[Database]) -> Workshop:
    """The dependency ``crank_workshop``: the caller's, without what only plans and prices need."""
    async with database.read(caller.tenant) as tx:
        return Workshop(profile=(await SETTINGS.current(tx)).content, offsets=await offsets.learned_from(tx))
