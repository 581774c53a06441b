"""Revisions and acts are kept byte for byte, belong to their shop, and are never changed."""

from datetime import UTC, datetime
from uuid import uuid4

import msgspec
import pytest
from uuid_utils.compat import uuid7

from cotterline.store import quote_revisions, quote_transitions, quotes
from cotterline.store.database import Database
from cotterline.store.quote_revisions import RevisionRow
from cotterline.store.quote_transitions import TransitionRow
from cotterline.store.tenancy import Tenant
from tests.shops import Shop
from tests.store.test_quotes import quote

pytestmark = pytest.mark.anyio

NOON = datetime(2024, 5, 1, 12, tzinfo=UTC)
REVISION = RevisionRow(
    quote_id=uuid7(),
    number=1,
    created_at=NOON,
    actor="key",
    settings_version=4,
    verdict_state="likely",
    leading_family=None,
    core_version="0.1.0",
    request=b'{"evidence":[]}',
    result=b'{"b":1, "a":2.50}' + bytes(range(256)),
)
ACT = TransitionRow(
    quote_id=REVISION.quote_id,
    version=2,
    at=NOON,
    actor="key",
    action="issue",
    from_state="draft",
    to_state="issued",
    revision=1,
    note=None,
)


async def keep(database: Database, tenant: Tenant) -> None:
    """Keep one quote with two revisions and two acts, the later ones first."""
    async with database.write(tenant) as tx:
        await quotes.insert(tx, quote(id=REVISION.quote_id))
        for number in (2, 1):
            await quote_revisions.insert(tx, msgspec.structs.replace(REVISION, number=number))
            await quote_transitions.insert(tx, msgspec.structs.replace(ACT, version=number + 1))


async def test_a_revision_comes_back_as_it_went_in(database: Database, tenant: Tenant) -> None:
    await keep(database, tenant)
    async with database.read(tenant) as tx:
        assert await quote_revisions.get(tx, REVISION.quote_id, 1) == REVISION
        assert await quote_revisions.get(tx, REVISION.quote_id, 3) is None
        assert await quote_revisions.get(tx, uuid4(), 1) is None


async def test_revisions_and_acts_are_listed_in_their_order(database: Database, tenant: Tenant) -> None:
    await keep(database, tenant)
    async with database.read(tenant) as tx:
        assert [row.number for row in await quote_revisions.every(tx, REVISION.quote_id)] == [1, 2]
        assert [row.version for row in await quote_transitions.every(tx, REVISION.quote_id)] == [2, 3]


async def test_another_shop_sees_neither(database: Database, shop_a: Shop, shop_b: Shop, shop_a_test: Shop) -> None:
    await keep(database, shop_a.tenant)
    for other in (shop_b, shop_a_test):
        async with database.read(other.tenant) as tx:
            assert await quote_revisions.get(tx, REVISION.quote_id, 1) is None
            assert await quote_revisions.every(tx, REVISION.quote_id) == []
            assert await quote_transitions.every(tx, REVISION.quote_id) == []
