"""Secrets are kept so that only their own use opens them, two at most hold at once, and none is ever told again."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from uuid import UUID

import pytest
from sqlalchemy import select, update
from uuid_utils.compat import uuid7

from cotterline.bench.errors import CotterlineError
from cotterline.cli.secrets import re_encrypt_all
from cotterline.store import audit, receiver_secrets
from cotterline.store.cipher import Cipher, made_key
from cotterline.store.database import Database
from cotterline.store.receiver_secrets import Purpose, SecretRow, Use
from cotterline.store.tables import receiver_secrets as table
from cotterline.store.tenancy import SERVICE, Tenant
from tests.shops import Shop

pytestmark = pytest.mark.anyio

NOON = datetime(2024, 5, 1, 12, tzinfo=UTC)
DAY = timedelta(hours=24)
DEPOT = Use("supplier", "Lower lock depot", "signing")
CIPHER = Cipher([made_key()])


async def keep(  # noqa: PLR0913 - what a test may choose
    database: Database,
    tenant: Tenant,
    text: str,
    now: datetime = NOON,
    *,
    use: Use = DEPOT,
    overlap: timedelta = DAY,
    cipher: Cipher = CIPHER,
) -> SecretRow:
    async with database.write(tenant) as tx:
        return await receiver_secrets.keep(
            tx, cipher, use, text, secret_id=uuid7(), now=now, actor="x", overlap=overlap
        )


async def live(
    database: Database, tenant: Tenant, now: datetime = NOON, use: Use = DEPOT, cipher: Cipher = CIPHER
) -> Sequence[str]:
    async with database.read(tenant) as tx:
        return await receiver_secrets.live(tx, cipher, use, now)


async def sealed(database: Database) -> list[bytes]:
    async with database.read(SERVICE) as tx:
        return [row["sealed"] for row in await tx.rows(select(table.c.sealed).order_by(table.c.id))]


async def test_a_secret_takes_over_from_the_one_before_after_the_overlap(database: Database, tenant: Tenant) -> None:
    await keep(database, tenant, "old")
    await keep(database, tenant, "new", NOON + DAY)
    assert await live(database, tenant, NOON + DAY) == ["new", "old"]
    assert await live(database, tenant, NOON + DAY * 2 - timedelta(seconds=1)) == ["new", "old"]
    assert await live(database, tenant, NOON + DAY * 2) == ["new"]


async def test_without_overlap_the_older_ends_at_once(database: Database, tenant: Tenant) -> None:
    await keep(database, tenant, "old")
    await keep(database, tenant, "new", overlap=timedelta(0))
    assert await live(database, tenant) == ["new"]


async def test_a_third_is_refused_until_one_has_ended(database: Database, tenant: Tenant) -> None:
    first = await keep(database, tenant, "first")
    await keep(database, tenant, "second")
    with pytest.raises(CotterlineError, match="2 secrets for signing") as caught:
        await keep(database, tenant, "third")
    assert caught.value.code == "too-many-secrets"
    assert await live(database, tenant) == ["second", "first"]
    async with database.write(tenant) as tx:
        ended = await receiver_secrets.end(tx, DEPOT.kind, DEPOT.name, first.id, now=NOON, actor="y")
    assert ended is not None
    assert ended.ends_at == NOON
    await keep(database, tenant, "third")
    assert await live(database, tenant) == ["third", "second"]


@pytest.mark.parametrize("purpose", ["credential", "reply"])
async def test_purposes_are_counted_apart(database: Database, tenant: Tenant, purpose: Purpose) -> None:
    await keep(database, tenant, "one")
    await keep(database, tenant, "two")
    other = Use(DEPOT.kind, DEPOT.name, purpose)
    await keep(database, tenant, "other", use=other)
    assert await live(database, tenant, use=other) == ["other"]
    assert await live(database, tenant) == ["two", "one"]


async def test_what_is_kept_shows_nothing_of_the_text(database: Database, tenant: Tenant) -> None:
    await keep(database, tenant, "open sesame")
    assert b"sesame" not in b"".join(await sealed(database))
    async with database.read(tenant) as tx:
        trail = await audit.page(tx, None, 50, DEPOT.name)
        told = await receiver_secrets.page(tx, DEPOT.kind, DEPOT.name, None, 50)
    assert [entry.action for entry in trail.entries] == ["secret.kept"]
    assert "sesame" not in repr(trail) + repr(told)


@pytest.mark.parametrize(
    "moved",
    [{"receiver_name": "Salt quay stores"}, {"receiver_kind": "subscription"}, {"purpose": "reply"}, {"mode": "test"}],
)
async def test_a_secret_moved_elsewhere_in_the_database_does_not_open(
    database: Database, tenant: Tenant, moved: dict[str, str], shop_a_test: Shop
) -> None:
    await keep(database, tenant, "mine")
    there = {"receiver_kind": DEPOT.kind, "receiver_name": DEPOT.name, "purpose": DEPOT.purpose} | moved
    mode = there.pop("mode", "live")
    if mode == "test":
        (copied,) = await sealed(database)
        await keep(database, shop_a_test.tenant, "other")
        async with database.write(shop_a_test.tenant) as tx:
            await tx.execute(update(table).where(table.c.mode == "test").values(sealed=copied))
        tenant = shop_a_test.tenant
    else:
        async with database.write(tenant) as tx:
            await tx.execute(update(table).values(there))
    use = Use(*(there[name] for name in ("receiver_kind", "receiver_name", "purpose")))  # type: ignore[arg-type] # parametrized
    with pytest.raises(CotterlineError, match="another place") as caught:
        await live(database, tenant, use=use)
    assert caught.value.code == "secrets-unavailable"


async def test_another_shop_sees_and_ends_none_of_it(database: Database, tenant: Tenant, shop_b: Shop) -> None:
    row = await keep(database, tenant, "mine")
    assert await live(database, shop_b.tenant) == []
    async with database.write(shop_b.tenant) as tx:
        assert await receiver_secrets.end(tx, DEPOT.kind, DEPOT.name, row.id, now=NOON, actor="b") is None
        assert (await receiver_secrets.page(tx, DEPOT.kind, DEPOT.name, None, 50)).secrets == ()
        await receiver_secrets.remove_all(tx, DEPOT.kind, DEPOT.name)
    assert await live(database, tenant) == ["mine"]


async def test_a_secret_that_ended_stays_as_it_ended(database: Database, tenant: Tenant) -> None:
    row = await keep(database, tenant, "mine")
    for hours in (1, 2):
        async with database.write(tenant) as tx:
            now = NOON + timedelta(hours=hours)
            ended = await receiver_secrets.end(tx, DEPOT.kind, DEPOT.name, row.id, now=now, actor="y")
        assert ended is not None
        assert ended.ends_at == NOON + timedelta(hours=1)


async def test_a_receiver_that_comes_back_under_its_name_has_none_of_the_old_secrets(
    database: Database, tenant: Tenant
) -> None:
    await keep(database, tenant, "mine")
    async with database.write(tenant) as tx:
        await receiver_secrets.remove_all(tx, DEPOT.kind, DEPOT.name)
    assert await live(database, tenant) == []


async def test_a_list_is_paged_newest_first_with_what_has_ended(database: Database, tenant: Tenant) -> None:
    made = [await keep(database, tenant, str(n), NOON + DAY * 3 * n) for n in range(5)]
    seen: list[UUID] = []
    after = None
    async with database.read(tenant) as tx:
        while True:
            page = await receiver_secrets.page(tx, DEPOT.kind, DEPOT.name, after, 2)
            seen += [row.id for row in page.secrets]
            after = page.following
            if after is None:
                break
    assert seen == [row.id for row in reversed(made)]


async def test_secrets_of_every_shop_are_encrypted_anew_and_the_old_key_may_go(
    database: Database, tenant: Tenant, shop_b: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(receiver_secrets, "RESEALED", 2)
    old, new = made_key(), made_key()
    names = [f"Store {number}" for number in range(5)]
    uses = [(shop, Use("supplier", name, "reply")) for shop in (tenant, shop_b.tenant) for name in names]
    for shop, use in uses:
        await keep(database, shop, use.name, use=use, cipher=Cipher([old]))
    assert await re_encrypt_all(database, Cipher([new, old])) == len(uses)
    for shop, use in uses:
        assert await live(database, shop, use=use, cipher=Cipher([new])) == [use.name]
        with pytest.raises(CotterlineError, match="None of the keys"):
            await live(database, shop, use=use, cipher=Cipher([old]))


async def test_without_a_key_nothing_is_kept(database: Database, tenant: Tenant) -> None:
    with pytest.raises(CotterlineError, match="COTTERLINE_SECRET_KEYS") as caught:
        await keep(database, tenant, "mine", cipher=Cipher([]))
    assert caught.value.code == "secrets-unavailable"
    assert await sealed(database) == []
