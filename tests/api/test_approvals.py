"""What a customer agrees to is kept, ends when it should, and is what ordering and charging go by."""

import asyncio
from typing import Any

import msgspec
import pytest
from litestar.testing import TestClient
from sqlalchemy import delete

from cotterline.api.edge import Edge
from cotterline.api.kept_approvals import options_of
from cotterline.store.database import Database
from cotterline.store.tables import approvals as table
from tests.api.agreed import agreed
from tests.api.test_quote_changes import UNSURE, WAYS, Quoted
from tests.shops import Shop
from tests.store.test_quote_revisions import REVISION

Client = TestClient[Edge]
APPROVED = WAYS["approved"]
ORDERED = WAYS["ordered"]


def quoted(client: Client, *acts: str) -> Quoted:
    """A quote with which these things were done."""
    quote = Quoted(client)
    assert [quote.act(act) for act in acts] == [200] * len(acts)
    return quote


def approvals(quote: Quoted) -> list[dict[str, Any]]:
    """Everything that was agreed to."""
    found: list[dict[str, Any]] = quote.client.get(f"{quote.path}/approvals").json()["approvals"]
    return found


def refused(quote: Quoted) -> tuple[str, list[str]]:
    """The type of the last refusal, and its places."""
    return quote.body["type"].rpartition("/")[2], [error["pointer"] for error in quote.body.get("errors", [])]


def test_an_approval_tells_who_agreed_to_what_and_how(client: Client) -> None:
    quote = quoted(client, "issue")
    assert approvals(quote) == []
    assert quote.act("approve", **agreed("approve", "137.50", by="Ada Fell", how="letter")) == 200
    (kept,) = approvals(quote)
    (_, approved) = client.get(f"{quote.path}/transitions").json()["transitions"]
    assert kept == {
        "in_force": True,
        "revision": 1,
        "ceiling": {"amount": "137.50", "currency": "EUR"},
        "options": [],
        "by": "Ada Fell",
        "how": "letter",
        "at": approved["at"],
        "recorded_with": approved["by"],
    }


def test_a_higher_ceiling_leaves_the_options_agreed_to_as_they_are_unless_it_names_others(client: Client) -> None:
    quote = quoted(client, "issue")
    offered = [option["option"] for option in client.get(quote.path).json()["result"]["estimate"]["options"]]
    wanted = agreed("approve", "137.50")
    wanted["approval"]["options"] = offered[:2]
    assert quote.act("approve", **wanted) == 200
    assert quote.act("extend", **agreed("extend", "150")) == 200
    other = agreed("extend", "160")
    other["approval"]["options"] = offered[:1]
    assert quote.act("extend", **other) == 200
    assert [kept["options"] for kept in approvals(quote)] == [offered[:2], offered[:2], offered[:1]]


@pytest.mark.parametrize("way", [APPROVED, ORDERED])
def test_a_higher_ceiling_takes_the_place_of_the_one_before_and_the_state_stays(client: Client, way: list[str]) -> None:
    quote = quoted(client, *way)
    state = quote.body["state"]
    assert quote.act("extend", **agreed("extend", "150")) == 200
    assert quote.body["state"] == state
    first, second = approvals(quote)
    assert (first["in_force"], first["ended_why"], second["in_force"]) == (False, "extended", True)
    assert first["ended_at"] == second["at"]
    assert second["ceiling"]["amount"] == "150"
    for lower in ("150.00", "149.99"):
        assert quote.act("extend", **agreed("extend", lower)) == 422
        assert refused(quote) == ("impossible-value", ["/approval/ceiling/amount"])
    assert approvals(quote) == [first, second]


@pytest.mark.parametrize(("act", "why"), [("decline", "declined"), ("revise", "revised"), ("close", "closed")])
def test_an_approval_ends_with_what_was_agreed(client: Client, act: str, why: str) -> None:
    quote = quoted(client, *APPROVED, act)
    (ended,) = approvals(quote)
    assert (ended["in_force"], ended["ended_why"]) == (False, why)
    assert "charged" not in ended


def test_other_measurements_void_the_approval(client: Client) -> None:
    quote = quoted(client, *APPROVED)
    assert quote.patch(request={"spindle": {"crank": {"distance": {"value": 115}}}}) == 200
    (ended,) = approvals(quote)
    assert (ended["in_force"], ended["ended_why"], quote.body["state"]) == (False, "revised", "draft")
    assert [quote.act(act) for act in APPROVED] == [200, 200]
    assert [(kept["in_force"], kept["revision"]) for kept in approvals(quote)] == [(False, 1), (True, 2)]


def test_another_name_for_the_job_leaves_the_approval_alone(client: Client) -> None:
    quote = quoted(client, *APPROVED)
    assert quote.patch(reference="hook 9") == 200
    assert [kept["in_force"] for kept in approvals(quote)] == [True]


async def _forget_approvals(url: str, shop: Shop) -> None:
    """Leave the quotes as they were before approvals were kept."""
    database = await Database.open(url)
    async with database.write(shop.tenant) as tx:
        await tx.execute(delete(table))
    await database.close()


def test_nothing_is_ordered_without_an_approval_in_force(client: Client, database_url: str, shop_a: Shop) -> None:
    quote = quoted(client, *APPROVED)
    asyncio.run(_forget_approvals(database_url, shop_a))
    assert quote.act("order") == 409
    assert refused(quote) == ("approval-missing", [])
    assert [quote.act("extend"), quote.act("order")] == [200, 200]


def test_a_result_that_forbids_an_order_forbids_it_whatever_was_agreed(client: Client) -> None:
    quote = Quoted(client, UNSURE)
    assert [quote.act("issue"), quote.act("approve"), quote.act("order")] == [200, 200, 409]
    assert refused(quote)[0] == "order-not-allowed"


@pytest.mark.parametrize(
    ("act", "more", "pointers"),
    [
        ("approve", {"approval": {"by": "Ada Fell", "how": "letter"}}, ["/approval/ceiling"]),
        ("approve", agreed("approve", "12.345"), ["/approval/ceiling/amount"]),
        ("approve", agreed("approve", "-1"), ["/approval/ceiling/amount"]),
        ("approve", agreed("approve", "12", "GBP"), ["/approval/ceiling/currency"]),
        ("approve", agreed("approve", by=""), ["/approval/by"]),
        ("approve", agreed("approve", how="smoke"), ["/approval/how"]),
        ("approve", agreed("approve", options=["remedy"]), ["/approval/options/0"]),
        ("approve", agreed("approve", options=["paint"]), ["/approval/options/0"]),
        ("decline", agreed("approve"), ["/approval"]),
        ("decline", {"charged": {"amount": "1", "currency": "EUR"}}, ["/charged"]),
    ],
)
def test_what_cannot_be_agreed_to_is_refused_at_its_place(
    client: Client, act: str, more: dict[str, Any], pointers: list[str]
) -> None:
    quote = quoted(client, "issue")
    assert quote.act(act, **more) == 422
    assert refused(quote)[1] == pointers
    assert (quote.read()["state"], approvals(quote)) == ("issued", [])


def test_to_agree_takes_what_was_agreed_to(client: Client) -> None:
    quote = quoted(client, "issue")
    for act in ("approve", "extend"):
        headers = {"If-Match": quote.tag}
        answer = client.post(f"{quote.path}/transitions", json={"action": act}, headers=headers)
        assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (422, "/approval")


def test_the_ceiling_is_in_the_currency_the_quote_was_computed_in(client: Client) -> None:
    client.put("/v1/settings", json={"currency": "JPY"}, headers={"If-Match": "*"})
    quote = quoted(client, "issue")
    client.put("/v1/settings", json={"currency": "GBP"}, headers={"If-Match": "*"})
    assert quote.act("approve", **agreed("approve", "140", "GBP")) == 422
    assert quote.act("approve", **agreed("approve", "14000", "JPY")) == 200


def test_what_is_charged_in_the_end_is_kept_and_within_the_ceiling(client: Client) -> None:
    quote = quoted(client, *ORDERED)
    for amount, currency, status in (("140.01", "EUR", 409), ("1.005", "EUR", 422), ("100", "GBP", 422)):
        assert quote.act("close", charged={"amount": amount, "currency": currency}) == status
    assert (quote.read()["state"], [kept["in_force"] for kept in approvals(quote)]) == ("ordered", [True])
    assert quote.act("close", charged={"amount": "140.01", "currency": "EUR"}) == 409
    assert refused(quote)[0] == "beyond-ceiling"
    assert quote.act("extend", **agreed("extend", "141")) == 200
    assert quote.act("close", charged={"amount": "140.01", "currency": "EUR"}) == 200
    assert approvals(quote)[-1]["charged"] == {"amount": "140.01", "currency": "EUR"}


def test_nothing_is_charged_where_nothing_was_agreed_to(client: Client) -> None:
    quote = quoted(client, "issue")
    assert quote.act("close", charged={"amount": "1", "currency": "EUR"}) == 409
    assert refused(quote)[0] == "approval-missing"


def test_the_options_offered_are_those_of_the_estimate() -> None:
    result = b'{"summary":"","estimate":{"options":[{"option":"new_chain","name":"a"},{"option":"remedy"}]}}'
    assert options_of(msgspec.structs.replace(REVISION, result=result)) == {"new_chain", "remedy"}
    assert options_of(msgspec.structs.replace(REVISION, result=b'{"summary":""}')) == frozenset()
