"""Keys are kept as a hash, two of a label live at once, and end at once and for good."""

import asyncio
from datetime import UTC, datetime, timedelta
from uuid import UUID

import msgspec
import pytest
from sqlalchemy import select, text
from uuid_utils.compat import uuid7

from cotterline.bench.errors import CotterlineError
from cotterline.store import audit, key_text, keys, secret_text
from cotterline.store.audit import OPERATOR
from cotterline.store.cursor import Cursor
from cotterline.store.database import Database
from cotterline.store.keys import KeyOrder
from cotterline.store.tables import keys as table
from cotterline.store.tenancy import SERVICE, Tenant
from tests.shops import Shop

pytestmark = pytest.mark.anyio

NOON = datetime(2024, 5, 1, 12, tzinfo=UTC)
ORDER = KeyOrder(label="booking", scopes=frozenset({"quote", "read"}))


async def issue(database: Database, tenant: Tenant, order: KeyOrder = ORDER, now: datetime = NOON) -> str:
    async with database.write(tenant) as tx:
        return await keys.issue(tx, order, key_id=uuid7(), now=now, actor=OPERATOR)


async def found(database: Database, key: str) -> keys.KeptKey:
    async with database.read(SERVICE) as tx:
        kept = await keys.find(tx, id_of(key))
    assert kept is not None
    return kept


def id_of(key: str) -> UUID:
    told = key_text.read(key)
    assert told is not None
    return told.id


async def test_a_key_is_found_by_its_id_with_its_tenant_and_opens(database: Database, shop_a_test: Shop) -> None:
    key = await issue(database, shop_a_test.tenant)
    kept = await found(database, key)
    assert kept.tenant == shop_a_test.tenant
    assert kept.row == keys.row_of(ORDER, id_of(key), NOON)
    assert kept.row.scopes == ("read", "quote")
    assert kept.opens(key, NOON)


async def test_nothing_of_the_secret_is_kept_but_its_hash(database: Database, tenant: Tenant) -> None:
    key = await issue(database, tenant)
    async with database.read(tenant) as tx:
        rows = [dict(row) for row in await tx.rows(select(table))]
        rows += [dict(row) for row in await tx.rows(text("SELECT * FROM audit"))]
    assert key[43:75] not in repr(rows)
    assert key[43:75].encode() not in b"".join(row["secret_hash"] for row in rows if "secret_hash" in row)
    assert secret_text.digest(key) in [row.get("secret_hash") for row in rows]


async def test_only_the_very_key_opens(database: Database, tenant: Tenant) -> None:
    key, other = await issue(database, tenant), await issue(database, tenant)
    kept = await found(database, key)
    assert not kept.opens(other, NOON)
    assert not kept.opens(key_text.written("live", id_of(key), other[43:75]), NOON)


async def test_a_key_opens_until_its_time_and_not_at_it(database: Database, tenant: Tenant) -> None:
    ends = NOON + timedelta(days=1)
    key = await issue(database, tenant, msgspec.structs.replace(ORDER, expires_at=ends))
    kept = await found(database, key)
    assert kept.opens(key, ends - timedelta(microseconds=1))
    assert not kept.opens(key, ends)


async def test_a_revoked_key_does_not_open_and_stays_revoked(database: Database, tenant: Tenant) -> None:
    key = await issue(database, tenant)
    for later in (1, 2):
        async with database.write(tenant) as tx:
            row = await keys.revoke(tx, id_of(key), now=NOON + timedelta(hours=later), actor=OPERATOR)
        assert row is not None
        assert row.revoked_at == NOON + timedelta(hours=1)
    assert not (await found(database, key)).opens(key, NOON)
    async with database.read(tenant) as tx:
        entries = (await audit.page(tx, None, 10, str(id_of(key)))).entries
    assert [entry.action for entry in entries] == ["key.revoked", "key.issued"]


async def test_an_unknown_key_is_neither_found_nor_revoked(database: Database, tenant: Tenant) -> None:
    async with database.read(SERVICE) as tx:
        assert await keys.find(tx, uuid7()) is None
    async with database.write(tenant) as tx:
        assert await keys.revoke(tx, uuid7(), now=NOON, actor=OPERATOR) is None
        assert len((await audit.page(tx, None, 10)).entries) == 1


async def test_a_shop_has_no_more_keys_than_it_may_whatever_their_labels(
    database: Database, tenant: Tenant, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keys, "LIVE", 3)  # one is there already
    issued = [await issue(database, tenant, msgspec.structs.replace(ORDER, label=label)) for label in ("a", "b")]
    with pytest.raises(CotterlineError) as refusal:
        await issue(database, tenant, msgspec.structs.replace(ORDER, label="c"))
    assert refusal.value.code == "quota-reached"
    async with database.write(tenant) as tx:
        await keys.revoke(tx, id_of(issued[0]), now=NOON, actor=OPERATOR)
    await issue(database, tenant, msgspec.structs.replace(ORDER, label="c"))


async def test_of_one_label_two_keys_live_and_a_third_waits_for_an_end(database: Database, tenant: Tenant) -> None:
    first = await issue(database, tenant)
    expiring = msgspec.structs.replace(ORDER, expires_at=NOON + timedelta(days=1))
    await issue(database, tenant, expiring)
    with pytest.raises(CotterlineError) as refusal:
        await issue(database, tenant)
    assert refusal.value.code == "too-many-keys"
    await issue(database, tenant, msgspec.structs.replace(ORDER, label="another"))
    await issue(database, tenant, now=NOON + timedelta(days=1))  # one has ended by itself
    with pytest.raises(CotterlineError):
        await issue(database, tenant, now=NOON + timedelta(days=1))
    async with database.write(tenant) as tx:
        await keys.revoke(tx, id_of(first), now=NOON, actor=OPERATOR)
    await issue(database, tenant, now=NOON + timedelta(days=1))


async def test_the_limit_is_each_tenants_own(database: Database, shop_a: Shop, shop_b: Shop, shop_a_test: Shop) -> None:
    for shop in (shop_a, shop_b, shop_a_test):
        for _ in range(2):
            await issue(database, shop.tenant)


async def test_ten_issued_at_once_with_one_label_give_two(database: Database, tenant: Tenant) -> None:
    outcomes = await asyncio.gather(*(issue(database, tenant) for _ in range(10)), return_exceptions=True)
    assert sum(isinstance(outcome, str) for outcome in outcomes) == 2
    assert {type(outcome) for outcome in outcomes} == {str, CotterlineError}


async def test_a_key_that_is_refused_leaves_no_trace(database: Database, tenant: Tenant) -> None:
    for _ in range(2):
        await issue(database, tenant)
    with pytest.raises(CotterlineError):
        await issue(database, tenant)
    async with database.read(tenant) as tx:
        assert len((await audit.page(tx, None, 10)).entries) == len((await keys.page(tx, None, 10)).keys) == 3


async def test_the_last_use_only_moves_on(database: Database, tenant: Tenant) -> None:
    key = await issue(database, tenant)
    for minutes, kept in ((0, 0), (5, 5), (3, 5)):
        async with database.write(tenant) as tx:
            await keys.note_use(tx, {id_of(key): NOON + timedelta(minutes=minutes), uuid7(): NOON})
        assert (await found(database, key)).row.last_used_at == NOON + timedelta(minutes=kept)


async def test_the_list_gives_every_key_once_newest_first(database: Database, tenant: Tenant) -> None:
    made = [
        id_of(await issue(database, tenant, KeyOrder(label=str(n), scopes=frozenset({"read"})), NOON + timedelta(n)))
        for n in range(5)
    ]
    seen: list[UUID] = []
    after: Cursor | None = None
    while True:
        async with database.read(tenant) as tx:
            page = await keys.page(tx, after, 2)
        seen += [row.id for row in page.keys]
        after = page.following
        if after is None:
            break
    assert seen[:5] == made[::-1]
    assert len(seen) == 6
