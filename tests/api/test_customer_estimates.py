"""A customer sees what was quoted and answers it by a link: once, knowingly, and from the link's own page alone."""

import asyncio
from collections.abc import Awaitable, Callable
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from litestar.testing import TestClient
from msgspec import UNSET
from sqlalchemy import text

from cotterline.api.edge import Edge
from cotterline.api.estimate_forms import form_in, seal
from cotterline.api.problems import RequestRefusedError
from cotterline.bench.customer_estimates import Choice
from cotterline.bench.money import Money
from cotterline.main import create_app
from cotterline.store import estimate_links, link_text, quotes
from cotterline.store.database import Database, WriteTransaction
from cotterline.store.estimate_links import LinkRow
from tests.api.agreed import agreed
from tests.api.conftest import settings
from tests.api.customers import Customer, a_link, an_offer, let_run_out
from tests.api.ordering import a_quote, act, order
from tests.api.test_estimate_links import links
from tests.shops import Shop

Client = TestClient[Edge]
Change = Callable[[WriteTransaction], Awaitable[None]]
NOON = datetime(2024, 5, 1, 12, tzinfo=UTC)


@pytest.fixture
def offer(client: Client) -> str:
    """Make a quote with every price, and issue it."""
    return an_offer(client)


@pytest.fixture
def link(client: Client, offer: str) -> dict[str, Any]:
    """Make a link to it."""
    return a_link(client, offer)


@pytest.fixture
def customer(client: Client, link: dict[str, Any]) -> Customer:
    """Open it."""
    return Customer(client, link["url"])


def state(client: Client, offer: str) -> str:
    return str(client.get(f"/v1/quotes/{offer}").json()["state"])


def approvals(client: Client, offer: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = client.get(f"/v1/quotes/{offer}/approvals").json()["approvals"]
    return found


def events(client: Client, type_: str) -> list[dict[str, Any]]:
    found = client.get("/v1/events", params={"limit": 100}).json()["events"]
    return [event for event in found if event["type"] == type_]


def whole(client: Client, offer: str) -> bytes:
    """All there is to read of a quote and its links, but when a page was seen."""
    parts = [client.get(f"/v1/quotes/{offer}{rest}").json() for rest in ("", "/transitions", "/approvals")]
    told = [{name: part for name, part in link.items() if name != "last_seen_at"} for link in links(client, offer)]
    return msgspec.json.encode([*parts, told])


# What the page shows.


def test_the_page_says_what_was_quoted_and_whose_it_is(client: Client, offer: str, customer: Customer) -> None:
    estimate = client.get(f"/v1/quotes/{offer}").json()["result"]["estimate"]
    assert customer.answer.status_code == 200
    assert customer.heading == "Your estimate"
    assert "Tide mill" in customer.words
    assert "For: Green roadster <3" in customer.words
    assert customer.ceiling == f"€{estimate['ceiling']['amount']['amount']}"
    low, high, mean = (f"€{estimate['money'][name]['amount']}" for name in ("p10", "p90", "expected"))
    assert f"between {low} and {high}" in customer.words
    assert f"about {mean}" in customer.words
    assert "It may cost less. We will not go beyond it without asking you again." in customer.words
    for point in estimate["decision_points"]:
        assert point["found"] in customer.words
        assert point["question"] in customer.words
        assert f"about €{point['extra_p50']['amount']}" in customer.words
    for row in estimate["bill"]["lines"]:
        assert row["description"] in customer.words
    for step in client.get(f"/v1/quotes/{offer}").json()["result"]["plan"]["steps"]:
        assert step["name"] in customer.words
    assert "Law" not in customer.words
    assert "law" not in customer.words.split()


def test_the_page_draws_how_cost_spreads_in_amounts_of_the_estimate_until_options_change_it(
    client: Client, offer: str, customer: Customer
) -> None:
    estimate = client.get(f"/v1/quotes/{offer}").json()["result"]["estimate"]
    (drawn,) = customer.page.xpath("//figure/*[local-name()='svg']")
    words = " ".join(drawn.xpath(".//*[local-name()='text']/text()"))
    asked = [estimate["money"][name]["amount"] for name in ("p10", "p50", "p90", "expected")]
    assert all(f"€{amount}" in words for amount in [*asked, estimate["ceiling"]["amount"]["amount"]])
    assert len(drawn.xpath(".//*[local-name()='circle']")) == len(estimate["money"]["curve"]) == 20
    customer.look("?options=new_chain")
    assert customer.page.xpath("//*[local-name()='svg']") == []


def test_the_page_is_kept_nowhere_and_loads_nothing(customer: Customer) -> None:
    headers = customer.answer.headers
    assert headers["content-type"] == "text/html; charset=utf-8"
    assert headers["cache-control"] == "no-store"
    assert headers["referrer-policy"] == "no-referrer"
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["x-robots-tag"] == "noindex, nofollow"
    assert "set-cookie" not in headers
    policy = dict(part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert policy["form-action"] == "'self'"
    assert policy["frame-ancestors"] == "'none'"
    assert "unsafe" not in headers["content-security-policy"]
    page = customer.page
    assert page.xpath("//script | //*[@style] | //iframe | //img | //link[not(starts-with(@href, 'data:'))]") == []
    assert [name for element in page.iter() for name in element.attrib if name.startswith("on")] == []


def test_the_page_says_what_it_is_about_in_german(client: Client, offer: str) -> None:
    customer = Customer(client, a_link(client, offer, language="de")["url"])
    assert customer.page.get("lang") == "de"
    assert customer.heading == "Ihr Kostenvoranschlag"
    assert customer.ceiling.replace("\N{NO-BREAK SPACE}", " ") == "275,00 €"
    assert "Tide mill" in customer.words
    english = ("Your", "estimate", "price", "without", "answer", "agree")
    own = " ".join(customer.page.xpath("//h1//text() | //h2//text() | //button//text() | //legend//text()"))
    assert [word for word in english if word in own.lower()] == []


def test_a_trial_says_so(client: Client, shop_a_test: Shop) -> None:
    client.headers.update(shop_a_test.headers)
    customer = Customer(client, a_link(client, an_offer(client))["url"])
    assert "This is a trial." in customer.words
    assert customer.send(do="decline") == 303
    assert "This is a trial." in Customer(client, customer.url).words


def test_live_quotes_are_no_trial(customer: Customer) -> None:
    assert "This is a trial." not in customer.words


def test_without_every_price_there_is_nothing_to_agree_to_and_it_says_why(client: Client) -> None:
    quote_id = a_quote(client)
    act(client, quote_id, "issue")
    customer = Customer(client, a_link(client, quote_id)["url"])
    assert customer.ceiling == ""
    assert "No price yet for: Crank bolt" in customer.words
    assert customer.page.xpath("//button[@value='approve']") == []
    assert "Tide mill has set no prices of its own yet" in customer.words
    assert customer.send(do="approve", name="Ada Fell") == 409
    assert state(client, quote_id) == "issued"
    assert customer.send(do="decline") == 303
    assert state(client, quote_id) == "declined"


def test_options_without_a_price_cannot_be_chosen(client: Client) -> None:
    quote_id = a_quote(client)
    act(client, quote_id, "issue")
    customer = Customer(client, a_link(client, quote_id)["url"])
    assert customer.page.xpath("//input[@name='option_new_chain']") == []
    assert "Without a price so far, ask Tide mill: New chain" in customer.words
    customer.look("?options=new_chain")
    assert customer.page.xpath("//input[@name='shown']/@value") == [""]


# What it takes.


def test_a_customer_agrees_and_the_shop_can_order(client: Client, offer: str, customer: Customer) -> None:
    assert customer.send(do="approve", name=" Ada Fell ") == 303
    assert customer.answer.headers["location"] == customer.url.rsplit("/", 1)[1]
    (agreement,) = approvals(client, offer)
    (told,) = links(client, offer)
    assert agreement == {
        "in_force": True,
        "revision": 1,
        "ceiling": {"amount": "275.00", "currency": "EUR"},
        "options": [],
        "by": "Ada Fell",
        "how": "link",
        "at": told["answered_at"],
        "recorded_with": f"link:{told['id']}",
    }
    assert told["answer"] == "approved"
    (event,) = events(client, "quote.approved")
    assert event["data"]["approval"]["how"] == "link"
    assert event["data"]["approval"]["by"] == "Ada Fell"
    entries = client.get("/v1/audit", params={"subject_id": offer}).json()["entries"]
    assert (entries[0]["action"], entries[0]["actor"]) == ("quote.approved", f"link:{told['id']}")
    transition = client.get(f"/v1/quotes/{offer}/transitions").json()["transitions"][-1]
    assert (transition["action"], transition["by"]) == ("approve", f"link:{told['id']}")
    assert customer.look().status_code == 200
    assert customer.heading == "You have agreed"
    assert customer.ceiling == "€275.00"
    assert "Ada Fell" not in customer.answer.text
    assert order(client, offer, {}).status_code == 201
    assert "The parts have been ordered." in Customer(client, customer.url).words


def test_a_customer_declines(client: Client, offer: str, customer: Customer) -> None:
    assert customer.send(do="decline") == 303
    assert state(client, offer) == "declined"
    assert approvals(client, offer) == []
    assert len(events(client, "quote.declined")) == 1
    assert customer.look().status_code == 200
    assert customer.heading == "You have declined"
    assert customer.ceiling == ""


def test_options_are_priced_before_they_are_agreed_to(client: Client, offer: str, customer: Customer) -> None:
    assert customer.send(do="show", option_face_shell="on", option_new_chain="on") == 303
    where = customer.answer.headers["location"]
    assert where == f"{customer.url.rsplit('/', 1)[1]}?options=face_shell,new_chain"
    customer.look("?" + where.partition("?")[2])
    assert customer.ceiling == "€315.00"
    assert "With: New chain, Face the shell" in customer.words
    assert customer.form["option_face_shell"] == "on"
    assert state(client, offer) == "issued"
    assert customer.send(do="approve", name="Ada Fell") == 303
    (agreement,) = approvals(client, offer)
    assert agreement["options"] == ["new_chain", "face_shell"]
    assert agreement["ceiling"] == {"amount": "315.00", "currency": "EUR"}
    customer.look()
    assert customer.ceiling == "€315.00"
    assert "With: New chain, Face the shell" in customer.words


def test_options_ticked_after_the_price_was_shown_are_priced_first(
    client: Client, offer: str, customer: Customer
) -> None:
    assert customer.send(do="approve", name="Ada Fell", option_new_chain="on") == 409
    assert state(client, offer) == "issued"
    assert "You ticked other options" in customer.words
    assert customer.ceiling == "€295.00"
    assert (customer.form["name"], customer.form["option_new_chain"]) == ("Ada Fell", "on")
    assert customer.send(do="approve", name="Ada Fell", option_new_chain="-") == 409
    assert customer.ceiling == "€275.00"
    assert customer.send(do="approve") == 303
    assert approvals(client, offer)[0]["options"] == []


def test_a_name_entered_before_the_price_was_asked_for_is_not_lost(customer: Customer) -> None:
    assert customer.send(do="show", name="Ada Fell", option_new_chain="on") == 200
    assert customer.form["name"] == "Ada Fell"
    assert customer.ceiling == "€295.00"
    assert customer.send(do="approve") == 303


@pytest.mark.parametrize("name", ["", " \t", "a" * 201, "Ada\nFell", "Ada\x07", "Ada\u202eFell"])
def test_who_agrees_says_who_he_is(client: Client, offer: str, customer: Customer, name: str) -> None:
    assert customer.send(do="approve", name=name) == 422
    assert state(client, offer) == "issued"
    (field,) = customer.page.xpath("//input[@name='name']")
    (error,) = customer.page.xpath(f"//*[@id='{field.get('aria-describedby')}']")
    assert field.get("aria-invalid") == "true"
    assert "name" in error.text
    (summary,) = customer.page.xpath("//*[@role='alert'][@autofocus]")
    assert summary.xpath(".//a/@href") == ["#name"]


@pytest.mark.parametrize("name", ["Łukasz Żak-Ørsted", "李小龍", "A", "a" * 200, "O'Neil & <b>Söhne</b>"])
def test_any_name_that_shows_is_kept_as_it_was_given(client: Client, offer: str, customer: Customer, name: str) -> None:
    assert customer.send(do="show", name=name) == 200
    assert customer.form["name"] == name
    assert customer.send(do="approve") == 303
    assert approvals(client, offer)[0]["by"] == name


# What it does not take.


@pytest.mark.parametrize("method", ["GET", "HEAD"])
def test_looking_is_no_answer(client: Client, offer: str, customer: Customer, method: str) -> None:
    before = whole(client, offer)
    query = "?" + customer.pressed(do="approve", name="Ada Fell").decode()
    for headers in ({}, {"Sec-Purpose": "prefetch"}, {"Purpose": "prefetch"}, {"User-Agent": "a link preview"}):
        answer = client.request(method, customer.url + query, headers=headers)
        assert answer.status_code < 300
        assert method != "HEAD" or answer.content == b""
    assert whole(client, offer) == before
    assert state(client, offer) == "issued", "the first look neither"


@pytest.mark.parametrize("method", ["PUT", "PATCH", "DELETE"])
def test_no_other_method_is_taken(client: Client, offer: str, customer: Customer, method: str) -> None:
    before = whole(client, offer)
    answer = client.request(method, customer.url)
    assert answer.status_code == 405
    assert answer.headers["allow"] == "GET, HEAD, OPTIONS, POST"
    assert whole(client, offer) == before


@pytest.mark.parametrize(
    "forged",
    [
        {"seal": "0" * 64},
        {"seal": ""},
        {"seal": "-"},
        {"seal": "ä"},
        {"shown": "new_chain"},
        {"shown": "new_chain", "option_new_chain": "on"},
        {"shown": "new_chain,face_shell,new_chain"},
    ],
)
@pytest.mark.parametrize("do", ["approve", "decline"])
def test_a_forged_form_changes_nothing(
    client: Client, offer: str, customer: Customer, do: str, forged: dict[str, str]
) -> None:
    before = whole(client, offer)
    assert customer.send(do=do, name="Ada Fell", headers=None, **forged) == 409
    assert "Please look again" in customer.words
    assert whole(client, offer) == before
    assert customer.send(do=do, name="Ada Fell", option_new_chain="-") == (
        409 if do == "approve" and "option_new_chain" in forged else 303
    )


def test_the_form_of_one_link_is_none_of_another(client: Client, offer: str, customer: Customer) -> None:
    other = Customer(client, a_link(client, offer)["url"])
    assert other.send(do="approve", name="Ada Fell", seal=customer.form["seal"]) == 409
    assert state(client, offer) == "issued"


def test_a_form_from_before_a_change_changes_nothing(client: Client, offer: str, customer: Customer) -> None:
    stale = customer.form["seal"]
    headers = {"If-Match": "*", "Content-Type": "application/merge-patch+json"}
    assert client.patch(f"/v1/quotes/{offer}", json={"reference": "Blue roadster"}, headers=headers).status_code == 200
    assert customer.send(do="approve", name="Ada Fell") == 409
    assert "Please look again" in customer.words
    assert "Blue roadster" in customer.words
    assert customer.form["seal"] != stale
    assert customer.send(do="approve") == 303


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 303),
        ({"Origin": "http://testserver.local"}, 303),
        ({"Origin": "null"}, 303),
        ({"Origin": "null", "Sec-Fetch-Site": "same-origin"}, 303),
        ({"Origin": "https://elsewhere.example"}, 403),
        ({"Origin": "http://testserver.local.elsewhere.example"}, 403),
        ({"Origin": "https://testserver.local"}, 403),
        ({"Origin": "null", "Sec-Fetch-Site": "cross-site"}, 403),
        ({"Sec-Fetch-Site": "same-site"}, 403),
    ],
)
def test_a_form_from_another_place_is_not_taken(
    client: Client, offer: str, customer: Customer, headers: dict[str, str], status: int
) -> None:
    assert customer.send(do="decline", headers=headers) == status
    assert state(client, offer) == ("declined" if status == 303 else "issued")


def test_behind_a_proxy_the_operators_address_is_the_pages_own(database_url: str, shop_a: Shop) -> None:
    own = settings(database_url, public_base_url="https://bench.example/cotterline")
    with TestClient(create_app(own)) as client:
        client.headers.update({**shop_a.headers, "Idempotency-Key": '"a"'})
        quote_id = a_quote(client)
        act(client, quote_id, "issue")
        url = a_link(client, quote_id)["url"].replace("https://bench.example/cotterline", "")
        customer = Customer(client, url)
        assert customer.send(do="decline", headers={"Origin": "http://testserver.local"}) == 403
        customer.look()
        assert customer.send(do="decline", headers={"Origin": "https://bench.example"}) == 303


@pytest.mark.parametrize(
    ("body", "kind", "status"),
    [
        (b"do=decline&seal=%00", "application/x-www-form-urlencoded", 422),
        (b"do=decline&do=decline", "application/x-www-form-urlencoded", 422),
        (b"do=decline&option_paint=on", "application/x-www-form-urlencoded", 422),
        (b"do=decline&colour=green", "application/x-www-form-urlencoded", 422),
        (b"do=explode", "application/x-www-form-urlencoded", 422),
        (b"name=Ada", "application/x-www-form-urlencoded", 422),
        (b"do=decline&shown=paint", "application/x-www-form-urlencoded", 422),
        (b"do=decline&name=%ff", "application/x-www-form-urlencoded", 400),
        (b"do=decline&name=\xc3\xa4", "application/x-www-form-urlencoded", 400),
        (b"", "application/x-www-form-urlencoded", 422),
        (b"do", "application/x-www-form-urlencoded", 400),
        (b"do=decline", "application/x-www-form-urlencoded; charset=latin-1", 415),
        (b"do=decline", "multipart/form-data", 415),
        (b'{"do":"decline"}', "application/json", 415),
        (b"do=decline", "", 415),
        (b"do=decline&name=" + b"a" * 5000, "application/x-www-form-urlencoded", 413),
    ],
)
def test_what_is_no_form_of_ours_is_answered_with_a_page(  # noqa: PLR0913, PLR0917 - what is sent and what comes back
    client: Client, offer: str, customer: Customer, body: bytes, kind: str, status: int
) -> None:
    before = whole(client, offer)
    assert customer.send(body, headers={"Content-Type": kind}) == status
    assert customer.answer.headers["content-type"] == "text/html; charset=utf-8"
    assert customer.heading == "Nothing was sent"
    assert whole(client, offer) == before


@pytest.mark.parametrize(
    "kind", ["application/x-www-form-urlencoded; charset=UTF-8", "Application/X-WWW-Form-Urlencoded"]
)
def test_a_form_may_say_that_it_is_in_utf_8(customer: Customer, kind: str) -> None:
    assert customer.send(do="decline", headers={"Content-Type": kind}) == 303


@given(st.binary(max_size=60) | st.text(alphabet="do=&approve%20shwn,+", max_size=60).map(str.encode))
def test_any_bytes_are_a_form_of_ours_or_refused(body: bytes) -> None:
    with suppress(RequestRefusedError):
        assert form_in(body).do in {"show", "approve", "decline"}


# Once it can no longer be answered.


def test_agreeing_twice_says_that_it_is_agreed(client: Client, offer: str, customer: Customer) -> None:
    form = customer.pressed(do="approve", name="Ada Fell")
    assert [customer.send(form), customer.send(form)] == [303, 303]
    assert len(approvals(client, offer)) == 1
    assert len(events(client, "quote.approved")) == 1
    assert customer.send(form.replace(b"do=approve", b"do=decline")) == 409
    assert customer.heading == "You have agreed"
    assert state(client, offer) == "approved"


def test_who_declined_agrees_to_nothing_more(client: Client, offer: str, customer: Customer) -> None:
    form = customer.pressed(do="decline", name="Ada Fell")
    assert [customer.send(form), customer.send(form)] == [303, 303]
    assert customer.send(form.replace(b"do=decline", b"do=approve")) == 409
    assert customer.heading == "You have declined"
    assert approvals(client, offer) == []


@pytest.mark.parametrize(
    ("done", "status", "heading"),
    [
        (("revise",), 409, "This estimate has changed"),
        (("revise", "issue"), 409, "This estimate has changed"),
        (("approve",), 409, "This estimate is agreed already"),
        (("approve", "order"), 409, "This estimate is agreed already"),
        (("decline",), 409, "This estimate was declined"),
        (("close",), 409, "This job is closed"),
        (("expire",), 410, "This link has run out"),
        (("end",), 410, "This link is no longer in use"),
        (("time",), 410, "This link has run out"),
    ],
)
def test_what_was_overtaken_says_so_and_takes_no_answer(  # noqa: PLR0913, PLR0917 - what is told of each way
    client: Client,
    offer: str,
    link: dict[str, Any],
    database_url: str,
    shop_a: Shop,
    done: tuple[str, ...],
    status: int,
    heading: str,
) -> None:
    customer = Customer(client, link["url"])
    form = customer.pressed(do="approve", name="Ada Fell")
    for step in done:
        if step == "time":
            let_run_out(database_url, shop_a.tenant, link["id"])
        elif step == "end":
            assert client.delete(f"/v1/quotes/{offer}/estimate-links/{link['id']}").status_code == 204
        else:
            assert act(client, offer, step, **agreed(step)).status_code == 200
    before = whole(client, offer)
    for answer in (
        customer.look().status_code,
        customer.send(form),
        customer.send(form.replace(b"approve", b"decline")),
    ):
        assert answer == status
        assert customer.heading == heading
        assert "Tide mill" in customer.words
        assert customer.page.xpath("//form") == []
        assert customer.ceiling == ""
    assert whole(client, offer) == before


@pytest.mark.parametrize(
    ("done", "words", "ceiling"),
    [
        ("extend", "Since then a higher amount was agreed: at most €300.00.", "€300.00"),
        ("revise", "Since then Tide mill has changed the estimate, so this no longer holds.", ""),
        ("decline", "Since then the job was called off, so this no longer holds.", ""),
        ("close", "The job is closed since.", ""),
    ],
)
def test_what_was_agreed_says_what_became_of_it(  # noqa: PLR0913, PLR0917 - what is told of each way
    client: Client, offer: str, customer: Customer, done: str, words: str, ceiling: str
) -> None:
    assert customer.send(do="approve", name="Ada Fell") == 303
    assert act(client, offer, done, **agreed(done, "300" if done == "extend" else "")).status_code == 200
    assert customer.look().status_code == 200
    assert words in customer.words
    assert "up to €275.00" in customer.words
    assert customer.ceiling == ceiling


def test_wrong_tokens_are_all_told_the_same(client: Client, link: dict[str, Any]) -> None:
    path, token = link["url"].rsplit("/", 1)
    wrong = [link_text.make(), token[:-1], token.upper(), "x", "%00", token + "%20", "cotl_link_", "a" * 3000]
    answers = [client.get(f"{path}/{each}") for each in wrong]
    answers += [client.post(f"{path}/{each}", content=b"do=decline") for each in wrong]
    assert {answer.status_code for answer in answers} == {404}
    assert len({answer.text for answer in answers}) == 1
    assert "Tide mill" not in answers[0].text
    assert "There is nothing here" in answers[0].text


def test_a_page_for_nobody_speaks_the_browsers_language(client: Client) -> None:
    for accepted, tag in (("de-CH,de;q=0.9,en;q=0.8", "de"), ("fr", "en"), ("", "en"), ("*", "en"), ("en-GB,de", "en")):
        page = client.get(f"/estimate/{link_text.make()}", headers={"Accept-Language": accepted})
        assert f'<html lang="{tag}">' in page.text


def test_who_tries_many_tokens_is_held_up(database_url: str, shop_a: Shop) -> None:
    with TestClient(create_app(settings(database_url, wrong_keys_per_minute=3))) as client:
        client.headers.update({**shop_a.headers, "Idempotency-Key": '"a"'})
        quote_id = a_quote(client)
        act(client, quote_id, "issue")
        url = a_link(client, quote_id)["url"]
        tries = [client.get(f"/estimate/{link_text.make()}") for _ in range(5)]
        assert [answer.status_code for answer in tries] == [404, 404, 404, 429, 429]
        assert int(tries[-1].headers["retry-after"]) > 0
        assert "Too many tries" in tries[-1].text
        assert client.get(url).status_code == 200, "a right token is never held up by wrong ones"


def test_a_link_that_mail_programs_added_to_still_opens(customer: Customer) -> None:
    assert customer.look("?utm_source=mail&options=new_chain&fbclid=%FF%00&x").status_code == 200
    assert customer.ceiling == "€295.00"
    assert customer.look("?options=new_chain&options=face_shell").status_code == 200
    assert customer.look("?options=paint,new_chain").status_code == 200
    assert customer.ceiling == "€295.00"


def test_when_a_page_was_seen_is_told(client: Client, offer: str, link: dict[str, Any]) -> None:
    assert "last_seen_at" not in links(client, offer)[0]
    before = datetime.now(UTC)
    Customer(client, link["url"])
    seen = datetime.fromisoformat(links(client, offer)[0]["last_seen_at"])
    assert before <= seen <= datetime.now(UTC)


# Several at once.


def test_of_answers_at_the_same_moment_one_is_taken_and_all_see_it(client: Client, offer: str) -> None:
    urls = [a_link(client, offer)["url"] for _ in range(4)]
    customers = [Customer(client, url) for url in (*urls, *urls)]
    said = [("approve", "decline")[number % 2] for number in range(len(customers))]
    with ThreadPoolExecutor(len(customers)) as pool:
        statuses = [
            *pool.map(lambda pair: pair[0].send(do=pair[1], name="Ada Fell"), zip(customers, said, strict=True))
        ]
    assert statuses.count(303) >= 1
    assert set(statuses) <= {303, 409}
    answered = [link for link in links(client, offer) if link["state"] == "answered"]
    assert len(answered) == 1
    assert state(client, offer) == answered[0]["answer"]
    assert len(approvals(client, offer)) == (answered[0]["answer"] == "approved")
    acts = [row["action"] for row in client.get(f"/v1/quotes/{offer}/transitions").json()["transitions"]]
    assert acts == ["issue", "approve" if answered[0]["answer"] == "approved" else "decline"]
    headings = {Customer(client, url).heading for url in urls}
    assert headings == (
        {"You have agreed", "This estimate is agreed already"}
        if answered[0]["answer"] == "approved"
        else {"You have declined", "This estimate was declined"}
    )


def test_an_answer_and_an_act_of_the_shop_never_both_take_place(client: Client, offer: str, customer: Customer) -> None:
    with ThreadPoolExecutor(2) as pool:
        answer = pool.submit(customer.send, do="approve", name="Ada Fell")
        revised = pool.submit(act, client, offer, "revise")
    came = (answer.result(), revised.result().status_code)
    acts = [row["action"] for row in client.get(f"/v1/quotes/{offer}/transitions").json()["transitions"]]
    in_force = [row["in_force"] for row in approvals(client, offer)]
    assert (came, acts, in_force) in [
        ((303, 200), ["issue", "approve", "revise"], [False]),
        ((409, 200), ["issue", "revise"], []),
        ((303, 412), ["issue", "approve"], [True]),  # answered between the shop's look and its act
    ]


SOON = 0.5
"""Seconds in which an answer that waits for nothing would have been taken."""


def answered_during(customer: Customer, url: str, shop: Shop, *changes: Change) -> int:
    """What an answer comes to that is sent while these changes are being made, and waits for them."""

    async def change(pool: ThreadPoolExecutor) -> Future[int]:
        database = await Database.open(url)
        async with database.write(shop.tenant) as tx:
            first, *others = changes
            await first(tx)
            answer = pool.submit(customer.send, do="approve", name="Ada Fell")
            await asyncio.sleep(SOON)
            assert not answer.done()
            for other in others:
                await other(tx)
        await database.close()
        return answer

    with ThreadPoolExecutor(1) as pool:
        return asyncio.run(change(pool)).result()


def test_a_link_that_is_being_ended_takes_no_answer(
    client: Client, offer: str, link: dict[str, Any], database_url: str, shop_a: Shop
) -> None:
    async def end(tx: WriteTransaction) -> None:
        await estimate_links.end(tx, UUID(link["id"]), now=datetime.now(UTC), actor="till")

    customer = Customer(client, link["url"])
    assert answered_during(customer, database_url, shop_a, end) == 410
    assert state(client, offer) == "issued"


@pytest.mark.parametrize("backend", ["postgresql"], indirect=True)
def test_what_changes_after_it_was_read_is_not_agreed_to(
    client: Client, offer: str, customer: Customer, database_url: str, shop_a: Shop
) -> None:
    """An answer reads the quote, then its approvals: it is held up between the two, and the quote changes there."""

    async def hold_up(tx: WriteTransaction) -> None:
        await tx.execute(text("LOCK TABLE approvals IN ACCESS EXCLUSIVE MODE"))

    async def change(tx: WriteTransaction) -> None:
        row = await quotes.get(tx, UUID(offer))
        assert row is not None
        assert await quotes.change(tx, msgspec.structs.replace(row, version=row.version + 1), row.version)

    assert answered_during(customer, database_url, shop_a, hold_up, change) == 409
    assert state(client, offer) == "issued"
    assert "Please look again" in customer.words


def test_a_seal_is_of_one_link_one_version_and_everything_that_was_shown() -> None:
    row = LinkRow(
        id=UUID(int=1),
        quote_id=UUID(int=2),
        revision=1,
        created_at=NOON,
        actor="till",
        expires_at=NOON,
        language="en",
        units="mm",
    )
    euros = Money(amount="275.00", currency="EUR")
    plain = Choice(options=(), expected=euros, ceiling=euros)
    seals = [
        seal("token", row, 2, plain),
        seal("another", row, 2, plain),
        seal("token", msgspec.structs.replace(row, id=UUID(int=3)), 2, plain),
        seal("token", msgspec.structs.replace(row, revision=2), 2, plain),
        seal("token", row, 3, plain),
        seal("token", row, 2, msgspec.structs.replace(plain, options=("face_shell",))),
        seal("token", row, 2, msgspec.structs.replace(plain, ceiling=Money(amount="275.01", currency="EUR"))),
        seal("token", row, 2, msgspec.structs.replace(plain, ceiling=Money(amount="275.00", currency="USD"))),
        seal("token", row, 2, msgspec.structs.replace(plain, ceiling=UNSET)),
    ]
    assert len({*seals}) == len(seals)
    assert seals[0] == seal("token", row, 2, plain)
