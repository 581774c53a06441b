"""Receivers are kept one shop's apart from another's, changed only from the version seen, and remember failing."""

from datetime import UTC, datetime, timedelta
from uuid import UUID

import msgspec
import pytest

from cotterline.store import receivers
from cotterline.store.cursor import Cursor
from cotterline.store.database import Database
from cotterline.store.receivers import Receiver, ReceiverKind
from cotterline.store.tenancy import Tenant
from tests.shops import Shop

pytestmark = pytest.mark.anyio
NOON = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)


def receiver(kind: ReceiverKind = "supplier", name: str = "north depot", made: datetime = NOON) -> Receiver:
    return Receiver(kind=kind, name=name, version=1, created_at=made, changed_at=made, actor="key", content=b"{}")


async def kept(database: Database, tenant: Tenant, *made: Receiver) -> None:
    async with database.write(tenant) as tx:
        for each in made:
            assert await receivers.insert(tx, each)


async def read(database: Database, tenant: Tenant, kind: ReceiverKind = "supplier") -> Receiver | None:
    async with database.read(tenant) as tx:
        return await receivers.get(tx, kind, "north depot")


async def test_a_receiver_is_read_as_it_was_kept(database: Database, tenant: Tenant) -> None:
    await kept(database, tenant, receiver())
    assert await read(database, tenant) == receiver()


async def test_a_name_is_taken_once_for_each_kind(database: Database, tenant: Tenant) -> None:
    await kept(database, tenant, receiver(), receiver("subscription"))
    async with database.write(tenant) as tx:
        assert not await receivers.insert(tx, msgspec.structs.replace(receiver(), content=b"[]"))
    assert await read(database, tenant) == receiver()


async def test_no_shop_and_no_mode_sees_touches_or_hinders_another(
    database: Database, tenant: Tenant, shop_b: Shop, shop_a_test: Shop
) -> None:
    await kept(database, tenant, receiver(), receiver("subscription", str(UUID(int=1))))
    for other in (shop_b.tenant, shop_a_test.tenant):
        async with database.write(other) as tx:
            assert await receivers.get(tx, "supplier", "north depot") is None
            assert await receivers.suppliers(tx) == []
            assert await receivers.live_subscriptions(tx) == []
            assert (await receivers.page(tx, "supplier", None, 10)).receivers == ()
            assert not await receivers.change(tx, receiver(), 1)
            assert not await receivers.remove(tx, "supplier", "north depot", 1)
            assert await receivers.disable(tx, "supplier", "north depot", at=NOON, why="none") is None
            assert await receivers.note_failure(tx, "supplier", "north depot", NOON) is None
            assert await receivers.insert(tx, receiver())
    assert await read(database, tenant) == receiver()


async def test_only_the_version_seen_is_changed_or_removed(database: Database, tenant: Tenant) -> None:
    await kept(database, tenant, receiver())
    later = msgspec.structs.replace(receiver(), version=2, changed_at=NOON + HOUR, actor="other", content=b"[2]")
    async with database.write(tenant) as tx:
        assert not await receivers.change(tx, later, 2)
        assert await receivers.change(tx, later, 1)
        assert not await receivers.change(tx, later, 1)
        assert not await receivers.remove(tx, "supplier", "north depot", 1)
    assert await read(database, tenant) == later
    async with database.write(tenant) as tx:
        assert await receivers.remove(tx, "supplier", "north depot", 2)
    assert await read(database, tenant) is None


async def test_a_change_leaves_alone_what_the_worker_saw(database: Database, tenant: Tenant) -> None:
    await kept(database, tenant, receiver())
    async with database.write(tenant) as tx:
        await receivers.note_failure(tx, "supplier", "north depot", NOON)
        assert await receivers.change(tx, msgspec.structs.replace(receiver(), version=2, content=b"[2]"), 1)
    found = await read(database, tenant)
    assert found is not None
    assert (found.failing_since, found.content) == (NOON, b"[2]")


async def test_failing_counts_from_the_first_failure_after_the_last_success(database: Database, tenant: Tenant) -> None:
    await kept(database, tenant, receiver())
    since = []
    async with database.write(tenant) as tx:
        for hours in (0, 1, 2):
            if hours == 2:
                await receivers.note_success(tx, "supplier", "north depot")
            seen = await receivers.note_failure(tx, "supplier", "north depot", NOON + hours * HOUR)
            since.append(seen and seen.failing_since)
    assert since == [NOON, NOON, NOON + 2 * HOUR]


async def test_a_receiver_is_disabled_once_with_a_reason_and_enabled_afresh(database: Database, tenant: Tenant) -> None:
    await kept(database, tenant, receiver())
    async with database.write(tenant) as tx:
        assert await receivers.enable(tx, "supplier", "north depot") is None
        await receivers.note_failure(tx, "supplier", "north depot", NOON)
        off = await receivers.disable(tx, "supplier", "north depot", at=NOON + HOUR, why="gone")
        assert await receivers.disable(tx, "supplier", "north depot", at=NOON, why="again") is None
        on = await receivers.enable(tx, "supplier", "north depot")
    assert off is not None
    assert (off.disabled_at, off.disabled_why, off.version) == (NOON + HOUR, "gone", 2)
    assert on == msgspec.structs.replace(receiver(), version=3)


async def test_disabled_subscriptions_are_not_live(database: Database, tenant: Tenant) -> None:
    names = [str(UUID(int=number)) for number in (1, 2, 3)]
    made = [receiver("subscription", name, NOON + n * HOUR) for n, name in enumerate(names)]
    await kept(database, tenant, receiver(), *reversed(made))
    async with database.write(tenant) as tx:
        await receivers.disable(tx, "subscription", names[1], at=NOON, why="gone")
        assert [each.name for each in await receivers.live_subscriptions(tx)] == [names[0], names[2]]


async def test_pages_give_each_receiver_of_the_kind_once_newest_first(database: Database, tenant: Tenant) -> None:
    made = [receiver("subscription", str(UUID(int=n)), NOON + (n // 2) * HOUR) for n in range(5)]
    await kept(database, tenant, receiver(), *made)
    seen: list[Receiver] = []
    after: Cursor | None = None
    async with database.read(tenant) as tx:
        for size in (2, 2, 1):
            found = await receivers.page(tx, "subscription", after, 2)
            assert len(found.receivers) == size
            seen.extend(found.receivers)
            after = found.following
    assert after is None
    assert seen == made[::-1]


async def test_suppliers_come_by_name(database: Database, tenant: Tenant) -> None:
    await kept(database, tenant, *(receiver(name=name) for name in ("c", "a", "b")), receiver("subscription", "0"))
    async with database.read(tenant) as tx:
        assert [each.name for each in await receivers.suppliers(tx)] == ["a", "b", "c"]
