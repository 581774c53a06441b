"""What shops set for themselves: every version is kept, so that a quote made by an old one can be explained."""

from datetime import datetime

import msgspec
from sqlalchemy import ColumnElement, func, select
from sqlalchemy.dialects.postgresql import insert

from cotterline.bench.shop_profile import DEFAULT, ShopProfile
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.tables import shop_profiles
from cotterline.store.tenancy import owned, ownership


class ProfileVersion(msgspec.Struct, frozen=True, kw_only=True):
    """A shop's settings at one time.

    Attributes:
        version: counts the changes; 0 for a shop that never set anything.
        profile: what was set.
    """

    version: int
    profile: ShopProfile


UNSET_PROFILE = ProfileVersion(version=0, profile=DEFAULT)


async def current(tx: ReadTransaction) -> ProfileVersion:
    """Return what the tenant set last."""
    mine = owned(shop_profiles, tx.tenant)
    last = select(func.max(shop_profiles.c.version)).where(mine).scalar_subquery()
    return await _read(tx, shop_profiles.c.version == last) or UNSET_PROFILE


async def get(tx: ReadTransaction, version: int) -> ProfileVersion | None:
    """Return one version of the tenant's settings, if there was one."""
    return UNSET_PROFILE if version == 0 else await _read(tx, shop_profiles.c.version == version)


async def add(tx: WriteTransaction, changed: ProfileVersion, *, at: datetime, actor: str) -> bool:
    """Add the next version, unless another change was faster and took its number; tell whether it was added."""
    row = {
        "version": changed.version,
        "created_at": at,
        "actor": actor,
        "profile": msgspec.json.encode(changed.profile),
    }
    added = insert(shop_profiles).values(row | ownership(tx.tenant)).on_conflict_do_nothing()
    return await tx.execute(added) == 1


async def _read(tx: ReadTransaction, which: ColumnElement[bool]) -> ProfileVersion | None:
    found = select(shop_profiles.c.version, shop_profiles.c.profile).where(owned(shop_profiles, tx.tenant), which)
    rows = await tx.rows(found)
    if not rows:
        return None
    return ProfileVersion(version=rows[0]["version"], profile=msgspec.json.decode(rows[0]["profile"], type=ShopProfile))
