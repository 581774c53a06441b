"""The catalogue of a shop: what it can fit, replaced whole, read whole or by what parts are for."""

from collections.abc import Collection, Sequence
from datetime import datetime
from uuid import UUID

import msgspec
from sqlalchemy import Executable, delete, select, update
from sqlalchemy import insert as insert_into
from sqlalchemy.dialects.postgresql import insert

from cotterline.bench.pricing.catalogue import Part, PartRole
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.tables import catalogues, parts
from cotterline.store.tenancy import owned, ownership


class Listing(msgspec.Struct, frozen=True, kw_only=True):
    """Which version of a list there is: a tag that is never used again, when it came and who sent it."""

    tag: UUID
    created_at: datetime
    actor: str


_LISTING = tuple(catalogues.c[name] for name in Listing.__struct_fields__)


async def listing(tx: ReadTransaction) -> Listing | None:
    """Return which catalogue the tenant has; None where it never sent one."""
    rows = await tx.rows(select(*_LISTING).where(owned(catalogues, tx.tenant)))
    return Listing(**rows[0]) if rows else None


async def every(tx: ReadTransaction) -> Sequence[Part]:
    """Return all parts of the tenant's catalogue, in their order."""
    found = select(parts.c.content).where(owned(parts, tx.tenant)).order_by(parts.c.position)
    return [msgspec.json.decode(row["content"], type=Part) for row in await tx.rows(found)]


async def of_roles(tx: ReadTransaction, roles: Collection[PartRole]) -> Sequence[Part]:
    """Return the tenant's parts for these roles, in the order of the catalogue."""
    mine = (owned(parts, tx.tenant), parts.c.role.in_(sorted(roles)))
    found = select(parts.c.content).where(*mine).order_by(parts.c.position)
    return [msgspec.json.decode(row["content"], type=Part) for row in await tx.rows(found)]


async def replace(tx: WriteTransaction, seen: Listing | None, now: Listing, catalogue: Sequence[Part]) -> bool:
    """Put a catalogue in the place of the one that was ``seen``, unless another was faster; tell whether it is."""
    values = msgspec.structs.asdict(now)
    if seen is None:
        claim: Executable = insert(catalogues).values(values | ownership(tx.tenant)).on_conflict_do_nothing()
    else:
        claim = update(catalogues).where(owned(catalogues, tx.tenant), catalogues.c.tag == seen.tag).values(values)
    if await tx.execute(claim) != 1:
        return False
    await tx.execute(delete(parts).where(owned(parts, tx.tenant)))
    rows = [
        {"sku": part.sku, "role": part.role, "position": position, "content": msgspec.json.encode(part)}
        for position, part in enumerate(catalogue)
    ]
    await tx.execute_for_each(insert_into(parts), [row | ownership(tx.tenant) for row in rows])
    return True
