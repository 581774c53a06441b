"""Deliveries are listed, read with every try, and tried once more."""

from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID, uuid4

import pytest
from litestar.testing import TestClient

from cotterline.api.edge import Edge
from cotterline.store import delivery_claims
from cotterline.store.database import Database
from cotterline.store.deliveries import Attempt
from cotterline.store.delivery_claims import Claimed, Lease
from cotterline.store.tenancy import SERVICE, Tenant
from tests.api.test_events import quoted
from tests.api.test_subscriptions import disabled, made, posts

Client = TestClient[Edge]
PATH = "/v1/deliveries"


class Tries:
    """Claims what is due and lets it come to something, as a worker does."""

    def __init__(self, database_url: str, tenant: Tenant) -> None:
        self.url = database_url
        self.tenant = tenant

    async def claim(self) -> Claimed:
        """Claim the one delivery that is due."""
        database = await Database.open(self.url)
        now = datetime.now(UTC)
        async with database.write(SERVICE) as tx:
            (claimed,) = await delivery_claims.claim(
                tx, Lease(token=uuid4(), now=now, until=now + timedelta(seconds=60)), 10, ()
            )
        await database.close()
        return claimed

    async def fail(self, claimed: Claimed, status: int, answer: bytes) -> None:
        """Record an answer and give up."""
        database = await Database.open(self.url)
        now = datetime.now(UTC)
        attempt = Attempt(
            number=claimed.attempts, started_at=now, ended_at=now, status=status, trouble=None, answer=answer
        )
        async with database.write(self.tenant) as tx:
            await delivery_claims.note_attempt(tx, claimed, attempt)
            await delivery_claims.finish(tx, claimed, "failed", now)
        await database.close()


@pytest.fixture
def tries(database_url: str, tenant: Tenant) -> Tries:
    """Give what a worker would do."""
    return Tries(database_url, tenant)


def read(client: Client, delivery: str) -> dict[str, Any]:
    found: dict[str, Any] = client.get(f"{PATH}/{delivery}").json()
    return found


async def test_a_delivery_tells_every_try_with_what_was_answered(client: Client, tries: Tries) -> None:
    made(client)
    quoted(client)
    (entry,) = posts(client)
    assert (entry["attempts"], read(client, entry["id"])["tries"]) == (0, [])
    await tries.fail(await tries.claim(), 503, b"Back at noon, caf\xe9")
    shown = read(client, entry["id"])
    (tried,) = shown["tries"]
    assert (tried["number"], tried["status"], tried["answer"]) == (1, 503, "Back at noon, caf\ufffd")
    assert (shown["state"], shown["attempts"]) == ("failed", 1)
    assert "finished_at" in shown
    assert "next_try_at" not in shown
    assert posts(client) == [{name: shown[name] for name in posts(client)[0]}]


async def test_a_failed_delivery_is_tried_once_more_under_its_id(client: Client, tries: Tries) -> None:
    made(client)
    quoted(client)
    (entry,) = posts(client)
    await tries.fail(await tries.claim(), 500, b"")
    again = client.post(f"{PATH}/{entry['id']}/retries")
    assert again.status_code == 202
    assert (again.json()["state"], again.json()["message_id"]) == ("waiting", entry["message_id"])
    assert (await tries.claim()).attempts == 2
    assert client.get("/v1/audit", params={"subject_id": entry["id"]}).json()["entries"][0]["action"] == (
        "delivery.retried"
    )


async def test_one_that_is_being_posted_held_or_cancelled_is_not_tried_again(
    client: Client, tries: Tries, database_url: str, tenant: Tenant
) -> None:
    path = made(client)
    quoted(client)
    await tries.claim()
    assert client.post(f"{PATH}/{posts(client)[0]['id']}/retries").status_code == 409
    quoted(client)
    newest = posts(client)[0]["id"]
    await disabled(database_url, tenant, path)
    assert client.post(f"{PATH}/{newest}/retries").status_code == 409
    client.delete(path, headers={"If-Match": "*"})
    assert [post["state"] for post in posts(client)] == ["cancelled", "waiting"]  # the worker sees to what it is at
    assert client.post(f"{PATH}/{newest}/retries").status_code == 409
    assert client.post(f"{PATH}/{uuid4()}/retries").status_code == 404


@pytest.mark.parametrize("subject", ["null", "", "order", "01900000000070008000000000000000"])
def test_a_subject_that_is_no_id_is_refused_and_does_not_list_everything(client: Client, subject: str) -> None:
    answer = client.get(PATH, params={"subject_id": subject})
    assert (answer.status_code, answer.json()["errors"][0]["parameter"]) == (422, "subject_id")


def test_lists_are_searched_and_paged_newest_first(client: Client) -> None:
    first, second = (made(client).rpartition("/")[2] for _ in range(2))
    quoted(client, "issue")
    assert len(posts(client)) == 4
    assert {post["receiver"] for post in posts(client, receiver=first, receiver_kind="subscription")} == {first}
    assert len(posts(client, receiver=second)) == 2
    assert posts(client, receiver_kind="supplier") == []
    assert posts(client, state="failed") == []
    event = client.get("/v1/events/2").json()["id"]
    subject = str(UUID(event.removeprefix("evt_")))
    about = posts(client, subject_id=subject)
    assert {post["message_id"] for post in about} == {event}
    page = client.get(PATH, params={"limit": 3, "state": "waiting"})
    rest = client.get(page.links["next"]["url"])
    assert [*page.json()["deliveries"], *rest.json()["deliveries"]] == posts(client)
    assert "state=waiting" in page.links["next"]["url"]
    assert "next" not in rest.links


@pytest.mark.parametrize("query", [{"state": "lost"}, {"subject_id": "7"}, {"receiver_kind": "x"}, {"receiver": ""}])
def test_a_question_that_makes_no_sense_is_refused(bench: Client, query: dict[str, str]) -> None:
    assert bench.get(PATH, params=query).status_code == 422
