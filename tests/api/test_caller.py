"""The door: no call without a good key and its scope, all bad keys answered alike, a revoked one from the next call."""

import hmac
import re
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import pytest
from litestar.testing import TestClient
from sqlalchemy import text
from uuid_utils.compat import uuid7

from cotterline.api.edge import Edge
from cotterline.api.key_uses import KeyUses
from cotterline.main import create_app
from cotterline.settings import Settings
from cotterline.store import key_text, keys, secret_text
from cotterline.store.audit import OPERATOR
from cotterline.store.database import Database
from cotterline.store.tenancy import SCOPES, SERVICE, Scope
from tests.api.calls import Operation, operations
from tests.api.conftest import Furnished
from tests.api.resources import KINDS
from tests.shops import BEGAN, Shop

Client = TestClient[Edge]
OPERATIONS = [*operations()]
GUARDED = [operation for operation in OPERATIONS if operation.scope]
OPEN = [operation for operation in OPERATIONS if not operation.scope and operation.name != "callBack"]
"""A callback of a supplier's is let in by its signature, which tests of its own hold."""


def bearer(key: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {key}"}


def id_of(key: str) -> str:
    told = key_text.read(key)
    assert told is not None
    return str(told.id)


def said(response: httpx.Response) -> dict[str, Any]:
    """The problem, without what names this one request."""
    return {name: part for name, part in response.json().items() if name != "instance"}


async def issue(url: str, shop: Shop, label: str, *scopes: Scope, expires_at: datetime | None = None) -> str:
    database = await Database.open(url)
    order = keys.KeyOrder(label=label, scopes=frozenset(scopes or SCOPES), expires_at=expires_at)
    async with database.write(shop.tenant) as tx:
        key = await keys.issue(tx, order, key_id=uuid7(), now=BEGAN, actor=OPERATOR)
    await database.close()
    return key


def mistyped(key: str) -> Iterator[str]:
    """The key with one character wrong, two swapped, one lost, one too many, in capitals, or cut off."""
    for place in (0, 5, 12, len(key) // 2, len(key) - 1):
        other = "b" if key[place] != "b" else "c"
        yield key[:place] + other + key[place + 1 :]
    swap = next(place for place in range(50, 70) if key[place] != key[place + 1])
    yield key[:swap] + key[swap + 1] + key[swap] + key[swap + 2 :]
    yield from (key[:-1], key + "a", key.upper(), key[:42], key.replace("live", "test"))


@pytest.mark.parametrize("operation", GUARDED, ids=lambda operation: operation.name)
def test_no_operation_lets_anybody_in_without_a_key(anyone: Client, operation: Operation) -> None:
    refused = operation.call(anyone, {name: kind.nobodys() for name, kind in KINDS.items()}, {})
    assert (refused.status_code, refused.headers["www-authenticate"]) == (401, "Bearer")
    assert refused.json()["type"] == "/problems/unauthenticated"


@pytest.mark.parametrize("operation", OPEN, ids=lambda operation: operation.name)
def test_health_reference_documentation_and_problems_ask_for_no_key(anyone: Client, operation: Operation) -> None:
    assert operation.call(anyone, {"code": "unauthenticated"}, {}).status_code == 200


@pytest.mark.parametrize("operation", GUARDED, ids=lambda operation: operation.name)
async def test_an_operation_takes_a_key_with_its_scope_alone_and_none_with_all_the_others(
    furnished: Furnished, shop_a: Shop, operation: Operation
) -> None:
    anyone, database_url, ids = furnished
    others: list[Scope] = [scope for scope in SCOPES if scope != operation.scope]
    lacking = operation.call(anyone, ids, bearer(await issue(database_url, shop_a, "others", *others)))
    assert (lacking.status_code, lacking.json()["type"]) == (403, "/problems/forbidden-scope")
    assert lacking.headers["www-authenticate"] == f'Bearer error="insufficient_scope", scope="{operation.scope}"'
    only: list[Scope] = [scope for scope in SCOPES if scope == operation.scope]
    allowed = operation.call(anyone, ids, bearer(await issue(database_url, shop_a, "only", *only)))
    # Issuing hands out the scopes of the example, which a key for administering alone does not hold.
    assert allowed.status_code not in {401, 404}
    assert (allowed.status_code == 403) == (operation.name == "issueKey")


async def test_every_bad_key_is_answered_alike(anyone: Client, database_url: str, shop_a: Shop, shop_b: Shop) -> None:
    expired = await issue(database_url, shop_a, "old", expires_at=BEGAN + timedelta(days=1))
    revoked = await issue(database_url, shop_a, "lost")
    assert anyone.post(f"/v1/keys/{id_of(revoked)}/revocation", headers=shop_a.headers).status_code == 200
    unknown = key_text.make("live", uuid7())
    guessed = key_text.make("live", uuid7()).replace(id_of(revoked).replace("-", ""), "")
    of_another = key_text.written("live", uuid7(), shop_b.key[43:75])
    texts = [expired, revoked, unknown, guessed, of_another, *mistyped(shop_a.key), "x", "hello", "\x7f"]
    headers: list[dict[str, str]] = [bearer(text) for text in texts]
    headers += [{"Authorization": value} for value in ("", "Bearer", "Bearer ", shop_a.key, f"Basic {shop_a.key}")]
    answers = [anyone.get("/v1/quotes", headers=each) for each in headers]
    assert {answer.status_code for answer in answers} == {401}
    assert {answer.headers["www-authenticate"] for answer in answers} == {'Bearer error="invalid_token"'}
    missing = said(anyone.get("/v1/quotes"))
    assert [said(answer) for answer in answers] == [missing] * len(answers)
    assert anyone.get("/v1/quotes", headers=shop_a.headers).status_code == 200


def test_the_name_of_the_scheme_knows_no_case(anyone: Client, shop_a: Shop) -> None:
    # RFC 9110, section 11.1.
    for scheme in ("bearer", "BEARER", "Bearer "):
        assert anyone.get("/v1/quotes", headers={"Authorization": f"{scheme} {shop_a.key}"}).status_code == 200


def test_two_keys_in_one_request_are_none(anyone: Client, shop_a: Shop, shop_b: Shop) -> None:
    both = [("Authorization", f"Bearer {shop.key}") for shop in (shop_a, shop_b)]
    assert anyone.get("/v1/quotes", headers=both).status_code == 401


def test_a_key_is_asked_for_before_the_body_and_the_query_are_looked_at(anyone: Client) -> None:
    refused = anyone.post("/v1/quotes?x=1", content=b"{", headers={"Content-Type": "text/plain"})
    assert refused.status_code == 401


def test_a_mistyped_key_is_told_without_a_look_up(
    anyone: Client, shop_a: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[object] = []
    find = keys.find

    async def counted(tx: Any, key_id: Any) -> keys.KeptKey | None:  # noqa: ANN401 - as the original
        asked.append(key_id)
        return await find(tx, key_id)

    monkeypatch.setattr(keys, "find", counted)
    for wrong in mistyped(shop_a.key):
        anyone.get("/v1/quotes", headers=bearer(wrong))
    assert asked == []
    assert anyone.get("/v1/quotes", headers=shop_a.headers).status_code == 200
    assert len(asked) == 1


def test_the_secret_is_compared_in_constant_time(anyone: Client, shop_a: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    compared: list[tuple[bytes, bytes]] = []
    compare = hmac.compare_digest

    def watched(first: bytes, second: bytes) -> bool:
        compared.append((first, second))
        return compare(first, second)

    monkeypatch.setattr(hmac, "compare_digest", watched)
    assert anyone.get("/v1/quotes", headers=shop_a.headers).status_code == 200
    wrong = key_text.written("live", key_text.read(shop_a.key).id, "a" * 32)  # type: ignore[union-attr]
    assert anyone.get("/v1/quotes", headers=bearer(wrong)).status_code == 401
    digest = secret_text.digest(shop_a.key)
    assert compared == [(digest, digest), (secret_text.digest(wrong), digest)]
    assert len(digest) == 32


REVOKER = """
import asyncio, sys
from datetime import UTC, datetime
from uuid import UUID
from cotterline.store import keys
from cotterline.store.database import Database
from cotterline.store.tenancy import Tenant

async def revoke(url, shop, key):
    database = await Database.open(url)
    async with database.write(Tenant(UUID(shop), "live")) as tx:
        assert await keys.revoke(tx, UUID(key), now=datetime.now(UTC), actor="operator")
    await database.close()

asyncio.run(revoke(*sys.argv[1:]))
"""


def test_a_key_revoked_by_another_process_is_refused_from_the_next_call(
    anyone: Client, database_url: str, shop_a: Shop
) -> None:
    for _ in range(3):
        assert anyone.get("/v1/quotes", headers=shop_a.headers).status_code == 200
    words = [sys.executable, "-c", REVOKER, database_url, str(shop_a.tenant.shop), id_of(shop_a.key)]
    subprocess.run(words, check=True, timeout=60)  # noqa: S603 - our own words
    assert anyone.get("/v1/quotes", headers=shop_a.headers).status_code == 401


def test_a_key_that_revokes_itself_is_refused_from_the_next_call(anyone: Client, shop_a: Shop) -> None:
    revoked = anyone.post(f"/v1/keys/{id_of(shop_a.key)}/revocation", headers=shop_a.headers)
    assert revoked.status_code == 200
    assert anyone.post(f"/v1/keys/{id_of(shop_a.key)}/revocation", headers=shop_a.headers).status_code == 401


async def test_a_key_ends_by_itself_at_its_time(anyone: Client, database_url: str, shop_a: Shop) -> None:
    now = datetime.now(UTC)
    for ends, status in ((now + timedelta(minutes=5), 200), (now - timedelta(seconds=1), 401)):
        key = await issue(database_url, shop_a, f"ends {ends}", expires_at=ends)
        assert anyone.get("/v1/quotes", headers=bearer(key)).status_code == status


async def test_the_last_use_is_kept_when_the_service_stops_and_slows_no_request(
    database_url: str, shop_a: Shop
) -> None:
    before = datetime.now(UTC)
    with TestClient(create_app(Settings(database_url=database_url))) as client:
        for _ in range(3):
            assert client.get("/v1/quotes", headers=shop_a.headers).status_code == 200
        shown = client.get(f"/v1/keys/{id_of(shop_a.key)}", headers=shop_a.headers).json()
        assert "last_used_at" not in shown
    with TestClient(create_app(Settings(database_url=database_url))) as client:
        shown = client.get(f"/v1/keys/{id_of(shop_a.key)}", headers=shop_a.headers).json()
    assert before <= datetime.fromisoformat(shown["last_used_at"]) <= datetime.now(UTC)


async def test_a_use_that_cannot_be_kept_is_dropped_and_said(
    database: Database, shop_a: Shop, logged: list[dict[str, Any]]
) -> None:
    uses = KeyUses(database)
    uses.note(shop_a.tenant, uuid7(), BEGAN)
    async with database.write(SERVICE) as tx:
        await tx.execute(text("ALTER TABLE keys RENAME TO gone"))
    await uses.keep()
    (line,) = logged
    assert (line["log_level"], line["keys"]) == ("warning", 1)
    await uses.keep()
    assert len(logged) == 1


def test_neither_key_nor_secret_is_logged(anyone: Client, shop_a: Shop, logged: list[dict[str, Any]]) -> None:
    headers = shop_a.headers | {"Idempotency-Key": "a"}
    made = anyone.post("/v1/keys", json={"label": "a", "scopes": ["read"]}, headers=headers).json()
    sent = [shop_a.key, made["key"], *mistyped(shop_a.key)]
    for key in sent:
        anyone.get("/v1/quotes", headers=bearer(key))
        anyone.get("/v1/quotes", headers={"Authorization": key})
        anyone.post("/v1/quotes", json={"reference": key}, headers=bearer(key))
    assert len(logged) > len(sent) * 3
    lines = repr(logged).lower()
    secrets = {found for key in sent for found in re.findall(r"[a-z2-7]{20,}", key.lower())}
    assert len(secrets) >= 3
    assert [words for words in (*sent, *secrets) if words.lower() in lines] == []
    assert id_of(shop_a.key) in lines
