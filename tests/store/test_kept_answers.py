"""Answers are kept under their key with what they tell of, given again, and forgotten a day later."""

import asyncio
from contextvars import Context
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import func, select

from cotterline.bench.errors import CotterlineError
from cotterline.store import engines, kept_answers, tables
from cotterline.store.database import Database
from cotterline.store.kept_answers import KEPT, PRUNED, KeptAnswer
from cotterline.store.tenancy import Tenant
from tests.shops import Shop

pytestmark = pytest.mark.anyio

NOON = datetime(2024, 5, 1, 12, tzinfo=UTC)
ANSWER = KeptAnswer(status=201, headers={"Location": "/v1/quotes/7"}, body=b'{"b":1, "a":2.50}')
MARK = b"mark"


async def ask(
    database: Database, tenant: Tenant, key: str = "key", mark: bytes = MARK, now: datetime = NOON
) -> KeptAnswer | None:
    """Do the work the first time, and tell what is kept from the second on."""
    async with database.write(tenant) as tx:
        kept = await kept_answers.claim(tx, key, mark, now)
        if kept is None:
            await kept_answers.keep(tx, key, ANSWER, now)
        return kept


async def count(database: Database, tenant: Tenant) -> int:
    async with database.read(tenant) as tx:
        (row,) = await tx.rows(select(func.count().label("rows")).select_from(tables.kept_answers))
    return int(row["rows"])


async def test_an_answer_comes_back_byte_for_byte_under_its_key(database: Database, tenant: Tenant) -> None:
    assert await ask(database, tenant) is None
    assert await ask(database, tenant) == ANSWER


async def test_another_key_and_another_tenant_know_nothing_of_it(
    database: Database, shop_a: Shop, shop_b: Shop, shop_a_test: Shop
) -> None:
    assert await ask(database, shop_a.tenant) is None
    assert await ask(database, shop_a.tenant, "another key") is None
    assert await ask(database, shop_b.tenant) is None
    assert await ask(database, shop_a_test.tenant) is None


async def test_the_same_key_with_another_request_is_refused(database: Database, tenant: Tenant) -> None:
    await ask(database, tenant)
    with pytest.raises(CotterlineError) as refusal:
        await ask(database, tenant, mark=b"another")
    assert refusal.value.code == "idempotency-key-reused"
    assert await ask(database, tenant) == ANSWER


async def test_work_that_fails_leaves_its_key_free(database: Database, tenant: Tenant) -> None:
    async def fail() -> None:
        async with database.write(tenant) as tx:
            await kept_answers.claim(tx, "key", MARK, NOON)
            raise LookupError

    with pytest.raises(LookupError):
        await fail()
    assert await count(database, tenant) == 0
    assert await ask(database, tenant, mark=b"corrected") is None


@pytest.mark.parametrize(("age", "known"), [(KEPT - timedelta(seconds=1), True), (KEPT, False)])
async def test_a_key_is_known_for_a_day(database: Database, tenant: Tenant, age: timedelta, *, known: bool) -> None:
    await ask(database, tenant)
    assert (await ask(database, tenant, now=NOON + age) == ANSWER) is known


async def test_each_answer_kept_clears_away_some_that_are_past_their_time(database: Database, tenant: Tenant) -> None:
    for number in range(PRUNED + 3):
        await ask(database, tenant, str(number))
    await ask(database, tenant, "next day", now=NOON + KEPT)
    assert await count(database, tenant) == 3 + 1
    await ask(database, tenant, "and another", now=NOON + KEPT)
    assert await count(database, tenant) == 2


async def test_who_asks_meanwhile_waits_for_the_answer(database: Database, tenant: Tenant) -> None:
    begun, go_on = asyncio.Event(), asyncio.Event()

    async def slowly() -> None:
        async with database.write(tenant) as tx:
            await kept_answers.claim(tx, "key", MARK, NOON)
            begun.set()
            await go_on.wait()
            await kept_answers.keep(tx, "key", ANSWER, NOON)

    first = asyncio.create_task(slowly())
    await begun.wait()
    others = [asyncio.create_task(ask(database, tenant)) for _ in range(5)]
    await asyncio.sleep(0.2)
    assert not any(other.done() for other in others)
    go_on.set()
    await first
    assert await asyncio.gather(*others) == [ANSWER] * 5


@pytest.mark.parametrize("backend", ["postgresql"], indirect=True)
async def test_who_waits_in_vain_is_told_that_the_first_is_in_flight(
    database_url: str, tenant: Tenant, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SQLite has one writer, so there the whole database is what is waited for, and the refusal says that."""
    monkeypatch.setattr(engines, "BUSY_SECONDS", 1)
    database = await Database.open(database_url)
    async with database.write(tenant) as tx:
        await kept_answers.claim(tx, "key", MARK, NOON)
        with pytest.raises(CotterlineError) as refusal:
            await asyncio.create_task(ask(database, tenant), context=Context())  # as another request would
    await database.close()
    assert refusal.value.code == "idempotency-key-in-flight"


async def test_many_at_once_with_one_key_do_the_work_once(database: Database, tenant: Tenant) -> None:
    done: list[int] = []

    async def work(number: int) -> None:
        async with database.write(tenant) as tx:
            if await kept_answers.claim(tx, "key", MARK, NOON + timedelta(microseconds=number)) is None:
                done.append(number)
                await asyncio.sleep(0.01)
                await kept_answers.keep(tx, "key", ANSWER, NOON)

    await asyncio.gather(*(work(number) for number in range(50)))
    assert len(done) == 1
