"""Each key and each shop may ask so much; every answer says how much is left, and a refusal how long to wait."""

import asyncio
import re
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from datetime import UTC, datetime, timedelta
from uuid import uuid4

import httpx
import msgspec
import pytest
from litestar.testing import TestClient

from cotterline.api.caller import Caller
from cotterline.api.edge import Edge
from cotterline.api.rate_limits import MOST_IN_MEMORY, BucketsInDatabase, BucketsInMemory, RateLimits
from cotterline.api.token_bucket import Policy
from cotterline.main import create_app
from cotterline.settings import Settings
from cotterline.store import rate_limits as queries
from cotterline.store.database import Database
from cotterline.store.tenancy import Scope, Tenant
from tests import shops

NOON = datetime(2024, 5, 1, 12, tzinfo=UTC)
FOUR = Policy("key", per_minute=60, burst=4)
SIX = Policy("shop", per_minute=60, burst=6)
PATH = "/v1/quotes"

Serve = Callable[..., AbstractContextManager[TestClient[Edge]]]


@pytest.fixture
def serve(database_url: str) -> Serve:
    """Serve everything on each database, with the limits of the test: by default four for a key, six for a shop."""

    @contextmanager
    def serving(**limits: int) -> Iterator[TestClient[Edge]]:
        few = Settings(
            database_url=database_url, rate_per_minute=1, rate_burst=4, shop_rate_per_minute=1, shop_rate_burst=6
        )
        settings = msgspec.structs.replace(few, **limits)
        with TestClient(create_app(settings), raise_server_exceptions=False) as client:
            yield client

    return serving


def second_key(database_url: str, tenant: Tenant, *scopes: Scope) -> dict[str, str]:
    """Issue another key of the shop; gives the headers that carry it."""

    async def issue() -> str:
        database = await Database.open(database_url)
        key = await shops.key(database, tenant, "back office", *scopes)
        await database.close()
        return key

    return {"Authorization": f"Bearer {asyncio.run(issue())}"}


def left(response: httpx.Response) -> dict[str, tuple[int, int]]:
    """What is left of each limit, and for how long: read as the structured field it is."""
    found = [re.fullmatch(r'"([a-z-]+)";r=(\d+);t=(\d+)', item) for item in response.headers["RateLimit"].split(", ")]
    return {item[1]: (int(item[2]), int(item[3])) for item in found if item}


def test_every_answer_to_a_key_says_what_is_left_and_what_the_limits_are(serve: Serve, shop_a: shops.Shop) -> None:
    with serve() as client:
        answers = [client.get(path, headers=shop_a.headers) for path in (PATH, f"{PATH}/{uuid4()}", f"{PATH}?odd=1")]
    assert [answer.status_code for answer in answers] == [200, 404, 422]
    assert {answer.headers["RateLimit-Policy"] for answer in answers} == {'"key";q=4;w=240, "shop";q=6;w=360'}
    assert [left(answer)["key"][0] for answer in answers] == [3, 2, 1]
    assert [left(answer)["shop"][0] for answer in answers] == [5, 4, 3]


def test_a_key_that_asked_too_much_is_told_how_long_to_wait(serve: Serve, shop_a: shops.Shop) -> None:
    with serve() as client:
        answers = [client.get(PATH, headers=shop_a.headers) for _ in range(6)]
    assert [answer.status_code for answer in answers] == [200] * 4 + [429] * 2
    refused = answers[-1]
    assert refused.headers["content-type"] == "application/problem+json"
    assert refused.json()["type"] == "/problems/rate-limited"
    wait = int(refused.headers["retry-after"])
    assert 50 < wait <= 60
    assert left(refused) == {"key": (0, wait), "shop": (2, left(refused)["shop"][1])}


def test_the_keys_of_a_shop_share_its_limit_and_no_other_shop_does(
    serve: Serve, database_url: str, shops_there: shops.Shops
) -> None:
    other = second_key(database_url, shops_there.a.tenant)
    with serve() as client:
        first = [client.get(PATH, headers=shops_there.a.headers).status_code for _ in range(4)]
        second = [client.get(PATH, headers=other) for _ in range(3)]
        elsewhere = [client.get(PATH, headers=shop.headers).status_code for shop in (shops_there.b, shops_there.a_test)]
    assert first == [200] * 4
    assert [answer.status_code for answer in second] == [200, 200, 429]
    assert left(second[-1])["key"][0] == 2
    assert "shop limit" in second[-1].json()["detail"]
    assert elsewhere == [200, 200]


def test_a_key_without_the_scope_pays_like_any_other(serve: Serve, database_url: str, shop_a: shops.Shop) -> None:
    reader = second_key(database_url, shop_a.tenant, "order")
    with serve() as client:
        answers = [client.get(PATH, headers=reader) for _ in range(5)]
    assert [answer.status_code for answer in answers] == [403] * 4 + [429]
    assert left(answers[0])["key"][0] == 3


def test_what_is_open_to_everyone_is_not_limited(serve: Serve) -> None:
    with serve() as client:
        answers = [client.get("/health/live") for _ in range(20)]
    assert {answer.status_code for answer in answers} == {200}
    assert not any("ratelimit" in answer.headers for answer in answers)


def test_a_limit_of_nothing_is_none(serve: Serve, shop_a: shops.Shop) -> None:
    with serve(rate_per_minute=0) as client:
        answers = [client.get(PATH, headers=shop_a.headers) for _ in range(7)]
        assert [answer.status_code for answer in answers] == [200] * 6 + [429]
        assert answers[0].headers["RateLimit-Policy"] == '"shop";q=6;w=360'
    with serve(rate_per_minute=0, shop_rate_per_minute=0) as client:
        unlimited = client.get(PATH, headers=shop_a.headers)
    assert unlimited.status_code == 200
    assert "ratelimit-policy" not in unlimited.headers


def test_wrong_keys_are_limited_and_a_right_one_from_the_same_address_is_not(serve: Serve, shop_a: shops.Shop) -> None:
    wrong = {"Authorization": f"Bearer {shop_a.key[:-1]}x"}
    with serve(wrong_keys_per_minute=2) as client:
        guesses = [client.get(PATH, headers=wrong) for _ in range(3)]
        right = client.get(PATH, headers=shop_a.headers)
        none = [client.get(PATH).status_code for _ in range(4)]
    assert [answer.status_code for answer in guesses] == [401, 401, 429]
    assert guesses[-1].headers["RateLimit-Policy"] == '"wrong-keys";q=2;w=60'
    assert 0 < int(guesses[-1].headers["retry-after"]) <= 30
    assert right.status_code == 200
    assert none == [401] * 4


def test_wrong_keys_without_a_limit_stay_wrong(serve: Serve) -> None:
    with serve(wrong_keys_per_minute=0) as client:
        answers = [client.get(PATH, headers={"Authorization": "Bearer x"}).status_code for _ in range(40)]
    assert answers == [401] * 40


def limits_of(buckets: BucketsInMemory | BucketsInDatabase) -> RateLimits:
    return RateLimits(key=FOUR, shop=SIX, wrong_keys=FOUR, buckets=buckets, strangers=BucketsInMemory())


@pytest.mark.anyio
async def test_buckets_in_memory_and_in_the_database_say_the_same(database: Database, tenant: Tenant) -> None:
    both = [limits_of(BucketsInMemory()), limits_of(BucketsInDatabase(database))]
    callers = [Caller(tenant, name, frozenset()) for name in ("seven", "eight")]
    now = NOON
    for step in range(30):
        now += timedelta(seconds=0.4 * (step % 3))
        first, second = [await limits.take(callers[step % 4 == 0], now) for limits in both]
        assert first == second


@pytest.mark.anyio
@pytest.mark.parametrize("backend", ["postgresql"], indirect=True)
async def test_processes_on_one_database_let_through_no_more_than_one_would(database_url: str, tenant: Tenant) -> None:
    """Three databases opened apart stand for three processes: they share nothing but the server."""
    opened = [await Database.open(database_url, connections=4) for _ in range(3)]
    processes = [limits_of(BucketsInDatabase(database)) for database in opened]
    policy = Policy("shop", per_minute=60, burst=25)

    async def ask(number: int) -> bool:
        limits = {f"key {number % 2}": Policy("key", 60, 20), "shop": policy}
        found = await processes[number % 3].buckets.take(tenant, limits, NOON)
        return all(decision.allowed for decision in found)

    assert sum(await asyncio.gather(*(ask(number) for number in range(90)))) == 25
    for database in opened:
        await database.close()


def test_memory_is_bounded_and_forgets_what_was_longest_unused() -> None:
    buckets = BucketsInMemory()
    busy = {"wrong keys": Policy("key", per_minute=1, burst=2)}
    buckets.take_now("first", busy, NOON)
    for number in range(MOST_IN_MEMORY - 1):
        buckets.take_now(number, busy, NOON)
    assert [buckets.take_now("first", busy, NOON)[0].remaining] == [0]
    for number in range(MOST_IN_MEMORY - 1):
        buckets.take_now(f"more {number}", busy, NOON)
    assert not buckets.take_now("first", busy, NOON)[0].allowed
    for number in range(MOST_IN_MEMORY):
        buckets.take_now(f"still more {number}", busy, NOON)
    assert buckets.take_now("first", busy, NOON)[0].remaining == 1


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("192.0.2.1", "192.0.2.1", True),
        ("192.0.2.1", "192.0.2.2", False),
        ("192.0.2.1", "::ffff:192.0.2.1", True),
        ("2001:db8:0:1::1", "2001:db8:0:1:ffff::2", True),
        ("2001:db8:0:1::1", "2001:db8:0:2::1", False),
        ("", "", True),
    ],
)
def test_wrong_keys_are_counted_by_the_network_a_client_has_to_itself(one: str, other: str, *, same: bool) -> None:
    # Addresses for documentation (RFC 5737, RFC 3849).
    limits = limits_of(BucketsInMemory())
    for _ in range(4):
        assert limits.turn_away(one, NOON)[0].allowed
    assert limits.turn_away(other, NOON)[0].allowed != same


@pytest.mark.parametrize("backend", ["postgresql"], indirect=True)
def test_a_bucket_that_cannot_be_had_in_time_is_an_outage_and_no_failure(
    serve: Serve, database_url: str, shop_a: shops.Shop
) -> None:
    async def hold(locked: threading.Event, go: threading.Event) -> None:
        database = await Database.open(database_url)
        async with database.write(shop_a.tenant) as tx:
            await queries.lock(tx, ["shop"], NOON)
            locked.set()
            await asyncio.to_thread(go.wait)
        await database.close()

    locked, go = threading.Event(), threading.Event()
    holding = threading.Thread(target=lambda: asyncio.run(hold(locked, go)))
    holding.start()
    try:
        assert locked.wait(20)
        with serve() as client:
            answer = client.get(PATH, headers=shop_a.headers)
    finally:
        go.set()
        holding.join()
    assert (answer.status_code, answer.json()["type"]) == (503, "/problems/unavailable")
    assert answer.headers["retry-after"] == "5"
