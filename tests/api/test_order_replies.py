"""Replies settle where an order stands: by callback or from a person, each once, judged by rule or put to a person."""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import uuid4

import httpx
import msgspec
import pytest
from litestar.testing import TestClient

from cotterline.api.edge import Edge
from cotterline.delivery.signatures import made_secret, signed
from cotterline.main import create_app
from cotterline.store import deliveries, events
from cotterline.store.database import Database
from cotterline.store.deliveries import DeliverySearch
from cotterline.store.tenancy import Tenant
from tests.api.conftest import name_request, settings
from tests.api.ordering import DEPOT, SURE, approved, placed, set_prices, set_supplier, stock
from tests.shops import Shop, key

Client = TestClient[Edge]
UNIT = {
    "thread": "1.370 in x 24 tpi",
    "thread_outside_diameter": 34.798,
    "thread_pitch": 1.0583,
    "drive_side_hand": "left",
    "non_drive_side_hand": "right",
    "shell_width": 68,
    "spindle_length": 113,
    "spindle_taper": "jis",
    "spindle_asymmetry": 0,
}
"""What the ordered unit is, in the trade's figures (ISO 6696:1989 for the thread; common practice for the rest)."""


class Depot:
    """A supplier with one order, and what it says about it."""

    def __init__(self, client: Client) -> None:
        self.client = client
        stock(client)
        self.secret = made_secret()
        body = {"purpose": "reply", "text": self.secret}
        assert client.post(f"/v1/suppliers/{DEPOT}/secrets", json=body).status_code == 201
        (self.order,) = placed(client, approved(client, SURE), {})
        self.path = f"/v1/orders/{self.order['id']}"

    def now(self) -> dict[str, Any]:
        """The order as it is told."""
        found: dict[str, Any] = self.client.get(self.path).json()
        return found

    def states(self) -> tuple[str, list[str]]:
        """The state of the order, and of its lines."""
        standing = self.now()["standing"]
        return standing["state"], [line["state"] for line in standing["lines"]]

    def call(
        self,
        *says: Mapping[str, Any],
        message_id: str = "",
        path: str = "",
        secret: str = "",
        at: datetime | None = None,
        **more: Any,  # noqa: ANN401 - members of a reply
    ) -> httpx.Response:
        """Call back, signed."""
        body = reply(*says, **more)
        sent_at = at or datetime.now(UTC)
        headers = signed([secret or self.secret], message_id or uuid4().hex, sent_at, body)
        return self.bare(path or f"{self.path}/callbacks", body, headers)

    def bare(self, path: str, body: bytes, headers: Mapping[str, str]) -> httpx.Response:
        """Send without a key."""
        sent = {"Content-Type": "application/json", "Authorization": "", **headers}
        return self.client.post(path, content=body, headers=sent)

    def enter(self, *says: Mapping[str, Any], minutes: int = 0) -> httpx.Response:
        """Have a person enter a reply."""
        json = {"Content-Type": "application/json"}
        return self.client.post(f"{self.path}/replies", content=reply(*says, minutes=minutes), headers=json)

    def decide(self, *, taken: bool, **changes: object) -> httpx.Response:
        """Answer the one open question."""
        (question,) = self.now()["standing"]["questions"]
        asked = {name: question[name] for name in ("message_id", "line", "about")}
        body = asked | {"taken": taken, "reason": "Decided on the telephone."} | changes
        return self.client.post(f"{self.path}/decisions", json=body)


def reply(*says: Mapping[str, Any], minutes: int = 0, **more: Any) -> bytes:  # noqa: ANN401 - members of a reply
    """A reply as bytes, said some minutes after noon."""
    at = datetime(2026, 3, 1, 12, tzinfo=UTC) + timedelta(minutes=minutes)
    return msgspec.json.encode({"at": at.isoformat(), "says": says, **more})


def substitute(code: str = "BB-X", *, left_out: tuple[str, ...] = (), **other: object) -> dict[str, Any]:
    """A unit proposed for line 1: like the ordered one save for what is named."""
    figures = {name: value for name, value in (UNIT | other).items() if name not in left_out}
    properties = [
        {"kind": "text", "name": name, "value": value, "accepted": [value]}
        if isinstance(value, str)
        else {"kind": "measure", "name": name, "value": value, "lowest": value, "highest": value}
        for name, value in figures.items()
    ]
    return {"says": "substituted", "lines": [1], "code": code, "name": "Another unit", "properties": properties}


def price(amount: str, line: int = 1) -> dict[str, Any]:
    return {"says": "price_changed", "lines": [line], "unit_price": {"amount": amount, "currency": "EUR"}}


@pytest.fixture
def depot(client: Client) -> Depot:
    """Serve a shop that ordered one unit and two bolts."""
    return Depot(client)


@pytest.fixture
def quick(bench: Client) -> Depot:
    """Serve the same on one database, for what does not touch it."""
    return Depot(bench)


async def told(url: str, tenant: Tenant) -> list[dict[str, Any]]:
    """What suppliers were told later, the oldest first."""
    database = await Database.open(url)
    async with database.read(tenant) as tx:
        rows = (await deliveries.page(tx, DeliverySearch(), None, 50)).deliveries
        found = [await deliveries.body(tx, row.id) for row in rows if row.kind == "order_change"]
    await database.close()
    return [msgspec.json.decode(body or b"") for body in found][::-1]


async def happened(url: str, tenant: Tenant) -> list[tuple[str, int]]:
    """The events of orders with their sequence."""
    database = await Database.open(url)
    async with database.read(tenant) as tx:
        found = await events.after(tx, 0, 100)
    await database.close()
    return [(event.type, event.sequence) for event in found if event.resource_kind == "order"]


def code_of(answer: httpx.Response) -> tuple[int, str]:
    return answer.status_code, answer.json()["type"].rpartition("/")[2]


def test_a_signed_callback_needs_no_key_and_settles_the_order(depot: Depot) -> None:
    answer = depot.call({"says": "accepted"}, message_id="first")
    assert (answer.status_code, answer.json()) == (202, {"message_id": "first"})
    assert depot.states() == ("accepted", ["accepted", "accepted"])
    depot.call({"says": "dispatched", "tracking": "NQ 4417"}, minutes=5)
    assert depot.states() == ("dispatched", ["dispatched", "dispatched"])
    assert depot.now()["standing"]["lines"][0]["tracking"] == "NQ 4417"


def test_a_message_is_taken_in_once_for_its_id(depot: Depot) -> None:
    for says in ("accepted", "accepted", "rejected"):
        assert depot.call({"says": says}, message_id="same").status_code == 202
    assert depot.states()[0] == "accepted"
    (kept,) = depot.client.get(f"{depot.path}/replies").json()["replies"]
    assert (kept["message_id"], kept["source"], kept["by"]) == ("same", "callback", DEPOT)
    assert depot.now()["version"] == 2


def test_replies_settle_alike_in_whatever_order_they_come(depot: Depot) -> None:
    depot.call({"says": "dispatched"}, minutes=30, sequence=3)
    depot.call({"says": "accepted"}, minutes=10, sequence=1)
    depot.call({"says": "backordered", "expected_on": "2026-03-20"}, minutes=20, sequence=2)
    assert depot.states() == ("dispatched", ["dispatched", "dispatched"])
    assert depot.now()["replies"] == 3


@pytest.mark.parametrize("there", [True, False])
@pytest.mark.parametrize("wrong", ["secret", "body", "old", "early", "unsigned", "nameless", "timeless", "id"])
def test_what_is_not_signed_right_is_refused_alike_whether_the_order_is_there(
    quick: Depot,
    wrong: str,
    there: bool,  # noqa: FBT001 - a row of the table
) -> None:
    path = f"{quick.path if there else f'/v1/orders/{uuid4()}'}/callbacks"
    body, now = reply({"says": "accepted"}), datetime.now(UTC)
    at = now + {"old": -timedelta(minutes=6), "early": timedelta(minutes=6)}.get(wrong, timedelta(0))
    headers = signed([made_secret() if wrong == "secret" else quick.secret], "a" if wrong != "id" else "a.b", at, body)
    missing = {"unsigned": "webhook-signature", "nameless": "webhook-id", "timeless": "webhook-timestamp"}.get(wrong)
    headers = {name: value for name, value in headers.items() if name != missing}
    answer = quick.bare(path, body + b" " if wrong == "body" else body, headers)
    assert code_of(answer) == (401, "signature-refused")
    assert answer.headers["www-authenticate"]
    other = quick.bare(f"/v1/orders/{uuid4()}/callbacks", body + b" " if wrong == "body" else body, headers)
    assert {**answer.json(), "instance": ""} == {**other.json(), "instance": ""}
    assert quick.states()[0] == "waiting"


def test_a_signature_made_for_another_order_does_not_pass_as_another_suppliers(client: Client) -> None:
    depot = Depot(client)
    set_supplier(client, "west quay")
    set_prices(client, "west quay")
    client.delete(f"/v1/price-lists/{DEPOT}", headers={"If-Match": "*"})
    (theirs,) = placed(client, approved(client, SURE), {})
    assert theirs["supplier"] == "west quay"
    answer = depot.call({"says": "accepted"}, path=f"/v1/orders/{theirs['id']}/callbacks")
    assert code_of(answer) == (401, "signature-refused")


def test_both_secrets_hold_while_one_takes_over_and_none_once_ended(depot: Depot) -> None:
    newer = depot.client.post(f"/v1/suppliers/{DEPOT}/secrets", json={"purpose": "reply"}).json()["text"]
    assert depot.call({"says": "accepted"}).status_code == 202
    assert depot.call({"says": "accepted"}, secret=newer).status_code == 202
    for kept in depot.client.get(f"/v1/suppliers/{DEPOT}/secrets").json()["secrets"]:
        depot.client.delete(f"/v1/suppliers/{DEPOT}/secrets/{kept['id']}")
    for secret in (depot.secret, newer):
        assert code_of(depot.call({"says": "accepted"}, secret=secret)) == (401, "signature-refused")


def test_a_secret_to_sign_posts_with_lets_nobody_call_back(depot: Depot) -> None:
    body = {"purpose": "signing"}
    posted_with = depot.client.post(f"/v1/suppliers/{DEPOT}/secrets", json=body).json()["text"]
    assert code_of(depot.call({"says": "accepted"}, secret=posted_with)) == (401, "signature-refused")


def test_a_key_does_not_let_a_callback_in(quick: Depot) -> None:
    answer = quick.client.post(f"{quick.path}/callbacks", json={"at": "2026-03-01T12:00:00Z", "says": []})
    assert answer.status_code == 422
    answer = quick.client.post(f"{quick.path}/callbacks", json=msgspec.json.decode(reply({"says": "accepted"})))
    assert code_of(answer) == (401, "signature-refused")


def test_a_callback_is_read_strictly_and_not_at_any_length(quick: Depot) -> None:
    assert code_of(quick.call({"says": "shrugged"})) == (422, "invalid-body")
    assert code_of(quick.call({"says": "accepted", "quantity": 0})) == (422, "invalid-body")
    assert code_of(quick.call({"says": "accepted"}, at_last=True)) == (422, "invalid-body")
    assert code_of(quick.call({"says": "accepted"}, minutes=60 * 24 * 365 * 9)) == (422, "impossible-value")
    long = reply({"says": "accepted"}) + b" " * 64 * 1024
    answer = quick.bare(f"{quick.path}/callbacks", long, signed([quick.secret], "long", datetime.now(UTC), long))
    assert code_of(answer) == (413, "request-too-large")
    assert quick.now()["replies"] == 0


def test_what_somebody_was_told_is_entered_like_a_reply(depot: Depot) -> None:
    answer = depot.enter(
        {"says": "backordered", "lines": [1], "expected_on": "2026-03-20"}, {"says": "accepted", "lines": [2]}
    )
    assert answer.status_code == 201
    assert answer.json()["state"] == "backordered"
    kept = depot.client.get(depot.path)
    assert kept.headers["etag"] == answer.headers["etag"]
    assert kept.json().items() >= answer.json().items()
    (entered,) = depot.client.get(f"{depot.path}/replies").json()["replies"]
    assert (entered["source"], entered["message_id"][:7]) == ("person", "person.")
    assert entered["reply"]["says"][0]["expected_on"] == "2026-03-20"


def test_a_reply_entered_twice_with_one_key_is_entered_once(depot: Depot) -> None:
    sent = {"Content-Type": "application/json", "Idempotency-Key": '"once"'}
    answers = [
        depot.client.post(f"{depot.path}/replies", content=reply({"says": "accepted"}), headers=sent) for _ in range(2)
    ]
    assert answers[0].json() == answers[1].json()
    assert depot.now()["replies"] == 1


@pytest.mark.anyio
async def test_a_substitute_that_fits_in_everything_is_taken_and_the_supplier_told(
    depot: Depot, database_url: str, tenant: Tenant
) -> None:
    depot.call(substitute(), message_id="other")
    assert depot.states()[1] == ["accepted", "open"]
    assert depot.now()["standing"]["lines"][0]["substitute"]["code"] == "BB-X"
    (decision,) = depot.now()["decisions"]
    assert (decision["about"], decision["taken"], decision["by"]) == ("substitute", True, "rule")
    (document,) = await told(database_url, tenant)
    assert (document["order_id"], document["supplier"]) == (depot.order["id"], DEPOT)
    assert [(each["line"], each["change"], each["quantity"]) for each in document["changes"]] == [
        (1, "take_substitute", 1)
    ]
    assert depot.now()["changes"] == document["changes"]
    assert len(depot.now()["deliveries"]) == 2
    assert await happened(database_url, tenant) == [("order.placed", 1), ("order.replied", 2), ("order.decided", 3)]


@pytest.mark.anyio
async def test_a_substitute_outside_the_ranges_is_refused_with_the_numbers(
    depot: Depot, database_url: str, tenant: Tenant
) -> None:
    """Of 9.5 mm more in length half, 4.75 mm, goes to the chain line: 42 mm becomes 46.75 mm, by plane geometry."""
    depot.call(substitute(spindle_length=122.5))
    assert depot.states()[1] == ["rejected", "open"]
    (document,) = await told(database_url, tenant)
    (change,) = document["changes"]
    assert change["change"] == "refuse"
    assert any("122.5 mm" in words and "110 to 116 mm" in words for words in change["reasons"])
    assert any("46.75 mm" in words and "+4.75 mm" in words for words in change["reasons"])


def test_a_length_that_stands_in_is_taken_only_if_the_chain_line_is_as_good(quick: Depot) -> None:
    """Half the change in length moves the chain line: 2 mm longer puts the rings 1 mm further out."""
    quick.call(substitute(spindle_length=115))
    (question,) = quick.now()["standing"]["questions"]
    assert any("probability" in words for words in question["words"])
    quick.call(substitute(spindle_length=112.8), minutes=1)
    assert quick.states()[1][0] == "accepted"


@pytest.mark.parametrize("name", ["drive_side_hand", "spindle_taper", "spindle_length"])
def test_what_is_not_stated_of_a_substitute_is_asked_of_a_person(quick: Depot, name: str) -> None:
    quick.call(substitute(left_out=(name,)))
    assert quick.states() == ("in_question", ["in_question", "open"])
    (question,) = quick.now()["standing"]["questions"]
    assert any(name.replace("_", " ") in words for words in question["words"])
    assert quick.now()["decisions"] == []
    assert quick.client.get("/v1/orders", params={"state": "in_question"}).json()["orders"][0]["open_questions"] == 1


@pytest.mark.parametrize(
    ("allowed", "amount", "state"),
    [
        (0, "18.40", "open"),
        (0, "17.00", "open"),
        (5, "19.32", "open"),
        (5, "19.33", "in_question"),
        (0, "18.41", "in_question"),
    ],
)
def test_a_price_is_taken_up_to_the_rise_the_shop_allows(quick: Depot, allowed: float, amount: str, state: str) -> None:
    set_supplier(quick.client, price_rise_percent=allowed)
    quick.call(price(amount))
    assert quick.states()[1][0] == state
    if state == "open":
        assert quick.now()["standing"]["lines"][0]["unit_price"]["amount"] == amount


@pytest.mark.anyio
@pytest.mark.parametrize(
    ("taken", "change", "state"), [(True, "take_substitute", "accepted"), (False, "refuse", "rejected")]
)
async def test_a_person_answers_a_question_once_and_the_supplier_is_told(  # noqa: PLR0913, PLR0917 - a table's row
    depot: Depot,
    database_url: str,
    tenant: Tenant,
    taken: bool,  # noqa: FBT001 - a row of the table
    change: str,
    state: str,
) -> None:
    depot.call(substitute(left_out=("spindle_taper",)))
    first = depot.now()["standing"]["questions"][0]
    answer = depot.decide(taken=taken)
    assert answer.status_code == 201, answer.text
    assert answer.json()["standing"]["lines"][0]["state"] == state
    assert answer.json()["open_questions"] == 0
    (document,) = await told(database_url, tenant)
    assert document["changes"] == [
        {"line": 1, "change": change, "quantity": 1, "reasons": ["Decided on the telephone."]}
    ]
    asked = {name: first[name] for name in ("message_id", "line", "about")}
    again = depot.client.post(
        f"{depot.path}/decisions", json=asked | {"taken": not taken, "reason": "A second thought."}
    )
    assert code_of(again) == (409, "wrong-state")
    (kept,) = depot.now()["decisions"]
    assert (kept["taken"], kept["by"]) == (taken, depot.now()["by"])
    entries = depot.client.get("/v1/audit", params={"subject_id": depot.order["id"]}).json()["entries"]
    assert [entry["action"] for entry in entries] == ["order.decided", "order.placed"]


def test_what_nobody_asked_is_not_decided(quick: Depot) -> None:
    quick.call(price("30.00"), message_id="dear")
    for change in ({"line": 2}, {"about": "substitute"}, {"message_id": "other"}):
        answer = quick.decide(taken=True, **change)
        assert code_of(answer) == (409, "wrong-state")
        assert "dear" in answer.json()["detail"]
    assert quick.decide(taken=True, reason="no").status_code == 422
    assert quick.now()["decisions"] == []


@pytest.mark.anyio
async def test_a_contradiction_is_put_to_a_person_and_settled_without_a_word_to_the_supplier(
    depot: Depot, database_url: str, tenant: Tenant
) -> None:
    depot.call({"says": "dispatched", "lines": [1]}, sequence=1)
    depot.call({"says": "rejected", "lines": [1]}, sequence=2, minutes=1)
    assert depot.states()[1][0] == "dispatched"
    (question,) = depot.now()["standing"]["questions"]
    assert question["about"] == "contradiction"
    assert depot.decide(taken=False).status_code == 201
    assert depot.states()[1][0] == "dispatched"
    assert depot.now()["standing"]["questions"] == []
    assert await told(database_url, tenant) == []


def test_what_the_supplier_cannot_be_told_is_left_to_a_person(depot: Depot) -> None:
    set_supplier(depot.client, body={"form": "mapped", "expression": "@", "changes": "nothing"})
    assert depot.call(substitute()).status_code == 202
    assert depot.states()[1][0] == "in_question"
    assert code_of(depot.decide(taken=True)) == (422, "impossible-value")
    set_supplier(depot.client)
    assert depot.decide(taken=True).status_code == 201
    assert depot.states()[1][0] == "accepted"


@pytest.mark.anyio
async def test_to_enter_and_to_decide_takes_the_scope(depot: Depot, database_url: str, tenant: Tenant) -> None:
    depot.call(price("30.00"))
    database = await Database.open(database_url)
    reading = await key(database, tenant, "desk", "read", "quote", "administer")
    await database.close()
    depot.client.headers["authorization"] = f"Bearer {reading}"
    assert depot.client.get(f"{depot.path}/replies").status_code == 200
    assert code_of(depot.enter({"says": "accepted"})) == (403, "forbidden-scope")
    assert code_of(depot.decide(taken=True)) == (403, "forbidden-scope")


def test_replies_are_each_shops_own(depot: Depot, shop_b: Shop, shop_a_test: Shop) -> None:
    depot.call(price("30.00"), message_id="dear")
    body = {"message_id": "dear", "line": 1, "about": "price", "taken": True, "reason": "It is theirs, not ours."}
    for other in (shop_b, shop_a_test):
        depot.client.headers.update(other.headers)
        assert depot.client.get(f"{depot.path}/replies").status_code == 404
        assert depot.enter({"says": "accepted"}).status_code == 404
        assert depot.client.post(f"{depot.path}/decisions", json=body).status_code == 404


def test_the_tables_of_an_orders_life_are_served_to_everybody(bench: Client) -> None:
    bench.headers.pop("authorization")
    found = bench.get("/v1/reference/order-life").json()
    assert {row["says"] for row in found["statements"]} >= {"accepted", "substituted", "dispatched"}
    assert all(row["meaning"] for rows in found.values() for row in rows)


def test_signatures_that_do_not_hold_are_limited_by_address_and_one_that_does_is_not(
    database_url: str, shop_a: Shop
) -> None:
    app = create_app(settings(database_url, wrong_keys_per_minute=2))
    with TestClient(app, raise_server_exceptions=False) as client:
        client.headers.update(shop_a.headers)
        client.event_hooks = {"request": [name_request]}
        depot = Depot(client)
        tried = [depot.call({"says": "accepted"}, secret=made_secret()) for _ in range(3)]
        assert [answer.status_code for answer in tried] == [401, 401, 429]
        assert tried[-1].headers["RateLimit-Policy"] == '"wrong-keys";q=2;w=60'
        assert depot.call({"says": "accepted"}).status_code == 202
