"""A ceiling check prices the job with what happened, and asks the customer sooner rather than later."""

from decimal import Decimal
from typing import Any

import msgspec
import pytest
from litestar.testing import TestClient

from cotterline.api import examples
from cotterline.api.edge import Edge
from tests.api.agreed import agreed
from tests.api.test_quote_changes import Quoted

Client = TestClient[Edge]


@pytest.fixture
def quote(client: Client) -> Quoted:
    """Give a quote with every price, which the customer approved up to the estimate's own ceiling."""
    parts = msgspec.json.decode(examples.read("parts"))
    prices = msgspec.json.decode(examples.read("price_list"))
    client.put("/v1/parts", json=parts, headers={"If-Match": "*"})
    client.put("/v1/price-lists/north depot", json=prices, headers={"If-None-Match": "*"})
    made = Quoted(client)
    made.act("issue")
    return made


def check(quote: Quoted, **asked: object) -> Any:  # noqa: ANN401 - httpx's response
    """Ask whether the work still fits."""
    return quote.client.post(f"{quote.path}/ceiling-checks", json={"minutes_spent": 10} | asked)


def most(answer: Any) -> Decimal:  # noqa: ANN401 - httpx's response
    """What suffices with probability 0.9."""
    return Decimal(answer.json()["comes_to"]["p90"]["amount"])


def test_without_an_approval_there_is_no_ceiling_to_check(quote: Quoted) -> None:
    refused = check(quote)
    assert (refused.status_code, refused.json()["type"]) == (409, "/problems/approval-missing")


def test_work_that_goes_as_planned_comes_to_what_the_estimate_said(quote: Quoted) -> None:
    quote.act("approve", **agreed("approve", "9000"))
    money = quote.read()["result"]["estimate"]["money"]
    answer = check(quote).json()
    assert answer["comes_to"] == money
    assert answer["fits"] == money["complete"]
    assert answer["ceiling"]["amount"] == "9000"


def test_what_went_wrong_makes_it_dearer_and_the_customer_is_asked_with_words(quote: Quoted) -> None:
    expected = quote.read()["result"]["estimate"]["money"]["p90"]["amount"]
    quote.act("approve", **agreed("approve", expected))
    stuck = check(quote, happened=["cotter_stuck"])
    drilled = check(quote, happened=["cotter_drilled"])
    assert most(check(quote)) <= most(stuck) < most(drilled)
    answer = drilled.json()
    assert not answer["fits"]
    assert expected in answer["reasons"][0]
    assert answer["words"].endswith("May we go on up to that?")


def test_time_and_charges_beyond_what_was_agreed_do_not_fit(quote: Quoted) -> None:
    quote.act("approve", **agreed("approve", "9000"))
    before = len(check(quote).json()["reasons"])
    assert len(check(quote, minutes_spent=9999).json()["reasons"]) == before + 1
    charged = {"amount": "9000.01", "currency": "EUR"}
    answer = check(quote, charged_so_far=charged).json()
    assert len(answer["reasons"]) == before + 1
    assert not answer["fits"]


@pytest.mark.parametrize(
    ("asked", "pointer"),
    [
        ({"happened": ["paint_peels"]}, "/happened/0"),
        ({"minutes_spent": -1}, "/minutes_spent"),
        ({"charged_so_far": {"amount": "1", "currency": "GBP"}}, "/charged_so_far/currency"),
    ],
)
def test_what_cannot_have_happened_is_refused(quote: Quoted, asked: dict[str, object], pointer: str) -> None:
    quote.act("approve", **agreed("approve"))
    refused = check(quote, **asked)
    assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (422, pointer)


def test_nothing_of_a_check_is_kept(quote: Quoted) -> None:
    quote.act("approve", **agreed("approve"))
    before = quote.read()
    check(quote, happened=["cotter_stuck"])
    assert quote.read() == before
