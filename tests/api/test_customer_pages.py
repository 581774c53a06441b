"""The customer's page in a browser without JavaScript: read, reached by the keyboard alone, answered, seen by all."""

from collections.abc import Iterator
from typing import Literal, NamedTuple
from uuid import uuid4

import httpx
import pytest
from playwright.sync_api import Browser, Page, ViewportSize, expect

from tests.api.customers import a_link, an_offer
from tests.api.ordering import act
from tests.browser import Watched, sheets, violations, watching
from tests.serving import Served, serving

PHONE = ViewportSize(width=360, height=740)
NARROW = ViewportSize(width=320, height=640)
"""A viewport of 320 CSS pixels: nothing may need scrolling sideways there (WCAG 2.2, success criterion 1.4.10)."""

SCHEMES: tuple[Literal["light", "dark"], ...] = ("light", "dark")
TARGET = 44
"""Least height of what is to be touched, in CSS pixels (WCAG 2.2, success criterion 2.5.5)."""


OUTLINE = 2
"""Least thickness of what shows where the keyboard is, in CSS pixels (WCAG 2.2, success criterion 2.4.13)."""

TWICE = "html { font-size: 200% }"
"""Text twice as large: nothing may be lost by it (WCAG 2.2, success criterion 1.4.4)."""


class Shop(NamedTuple):
    """A shop on a running service, and an offer of its."""

    address: str
    client: httpx.Client
    offer: str

    def link(self, **asked: object) -> str:
        """Make a link and give the page's address."""
        return self.address + str(a_link(self.client, self.offer, **asked)["url"])


def _named(request: httpx.Request) -> None:
    if request.method == "POST":
        request.headers.setdefault("Idempotency-Key", f'"{uuid4()}"')


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """Serve a shop, before a browser is there: once it is, no event loop can be run in its thread."""
    with serving(tmp_path_factory.mktemp("served"), worker="off", rate_per_minute=0, shop_rate_per_minute=0) as served:
        yield served


@pytest.fixture
def shop(served: Served) -> Iterator[Shop]:
    """Give a shop with an offer of its own to each test."""
    headers = {"Authorization": f"Bearer {served.key}"}
    with httpx.Client(base_url=served.address, headers=headers, event_hooks={"request": [_named]}) as client:
        yield Shop(served.address, client, an_offer(client))


@pytest.fixture
def watched(served: Served, browser: Browser) -> Iterator[Watched]:
    """Open a page on a phone that runs no script."""
    with watching(browser, served.address, viewport=PHONE, java_script_enabled=False) as watched:
        yield watched


@pytest.fixture
def page(watched: Watched) -> Page:
    """Give that page."""
    return watched.page


def test_a_customer_agrees_without_a_script(shop: Shop, watched: Watched) -> None:
    page = watched.page
    page.goto(shop.link())
    page.get_by_label("New chain").check()
    page.get_by_role("button", name="Show the price with these").click()
    assert page.locator(".amount").inner_text() == "€295.00"
    expect(page.get_by_text("If you decline, none of this work is done.")).to_be_visible()
    page.get_by_label("Your name").fill("Ada Fell")
    page.get_by_role("button", name="Agree up to €295.00").click()
    expect(page.get_by_text("If you change your mind, tell")).to_be_visible()
    assert page.get_by_role("heading", level=1).inner_text() == "You have agreed"
    page.reload()
    page.go_back()
    page.reload()
    assert page.get_by_role("heading", level=1).inner_text() == "You have agreed"
    (agreed,) = shop.client.get(f"/v1/quotes/{shop.offer}/approvals").json()["approvals"]
    assert (agreed["by"], agreed["how"], agreed["options"]) == ("Ada Fell", "link", ["new_chain"])
    assert [request.method for request in watched.asked].count("POST") == 2


def test_a_customer_declines_without_a_name(shop: Shop, page: Page) -> None:
    page.goto(shop.link(language="de"))
    page.get_by_role("button", name="Ablehnen").click()
    assert page.get_by_role("heading", level=1).inner_text() == "Sie haben abgelehnt"
    assert shop.client.get(f"/v1/quotes/{shop.offer}").json()["state"] == "declined"


def test_a_link_that_ended_says_so(shop: Shop, page: Page) -> None:
    url = shop.link()
    assert act(shop.client, shop.offer, "expire").status_code == 200
    answer = page.goto(url)
    assert answer is not None
    assert answer.status == 410
    assert page.get_by_role("heading", level=1).inner_text() == "This link has run out"


def test_a_missing_name_is_told_where_it_is_looked_for(shop: Shop, page: Page) -> None:
    page.goto(shop.link())
    page.get_by_role("button", name="Agree up to").click()
    assert page.locator("[role=alert]:focus").count() == 1
    named = page.get_by_role("textbox", name="Your name")
    assert named.get_attribute("aria-invalid") == "true"
    page.get_by_role("link", name="Enter your name").click()
    expect(page.locator("#name:target")).to_be_visible()
    assert shop.client.get(f"/v1/quotes/{shop.offer}").json()["state"] == "issued"


def tab_to(page: Page, selector: str) -> None:
    """Go on with the keyboard until something is reached."""
    for _ in range(12):
        page.keyboard.press("Tab")
        if page.locator(f"{selector}:focus").count():
            assert page.locator(selector).evaluate("e => parseFloat(getComputedStyle(e).outlineWidth)") >= OUTLINE
            return
    raise AssertionError(f"the keyboard does not reach {selector}")


def test_the_keyboard_alone_is_enough(shop: Shop, page: Page) -> None:
    page.goto(shop.link())
    tab_to(page, "a.jump")
    tab_to(page, "[name=option_new_chain]")
    page.keyboard.press("Space")
    tab_to(page, "[value=show]")
    page.keyboard.press("Enter")
    expect(page.locator(".amount")).to_have_text("€295.00")
    tab_to(page, "section summary")
    page.keyboard.press("Enter")
    expect(page.get_by_text("the wedge that holds an arm")).to_be_visible()
    tab_to(page, "main > details summary")
    page.keyboard.press("Enter")
    expect(page.get_by_text("Delivery of parts")).to_be_visible()
    tab_to(page, "#name")
    page.keyboard.type("Ada Fell")
    tab_to(page, "[value=approve]")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("You have agreed")


def test_enter_in_the_name_shows_the_price_and_agrees_to_nothing(shop: Shop, page: Page) -> None:
    page.goto(shop.link())
    page.get_by_label("Your name").fill("Ada Fell")
    with page.expect_response(lambda answer: answer.request.method == "POST"):
        page.get_by_label("Your name").press("Enter")
    expect(page.get_by_label("Your name")).to_have_value("Ada Fell")
    assert shop.client.get(f"/v1/quotes/{shop.offer}").json()["state"] == "issued"


@pytest.mark.parametrize("language", ["en", "de"])
def test_the_page_shuts_nobody_out(shop: Shop, browser: Browser, language: str) -> None:
    url = shop.link(language=language)

    def check(page: Page, url: str) -> None:
        page.goto(url)
        for scheme in SCHEMES:
            page.emulate_media(color_scheme=scheme)
            assert violations(page) == [], (url, scheme)

    with watching(browser, shop.address, viewport=PHONE, bypass_csp=True) as (page, _):
        check(page, url + "?options=new_chain")
        check(page, url[:-1])
        assert act(shop.client, shop.offer, "decline").status_code == 200
        check(page, url)


@pytest.mark.parametrize("language", ["en", "de"])
def test_a_narrow_screen_is_wide_enough_and_every_target_large(shop: Shop, browser: Browser, language: str) -> None:
    with watching(browser, shop.address, viewport=NARROW, bypass_csp=True) as (page, _):
        page.goto(shop.link(language=language))
        assert page.evaluate("document.documentElement.scrollWidth") == NARROW["width"]
        for element in page.locator("button, summary, .choice, #name, .jump").all():
            box = element.bounding_box()
            assert box is not None
            assert box["height"] >= TARGET
            assert box["width"] >= TARGET
        page.set_viewport_size(PHONE)
        page.add_style_tag(content=TWICE)
        assert page.evaluate("document.documentElement.scrollWidth") == PHONE["width"]
        lines = "parseFloat(getComputedStyle(e).height) / parseFloat(getComputedStyle(e).lineHeight)"
        assert page.locator(".amount").evaluate(f"e => {lines}") == pytest.approx(1, rel=0.01), (
            "the amount is not broken"
        )


@pytest.mark.parametrize(("language", "line"), [("en", "Delivery of parts"), ("de", "Lieferung der Teile")])
def test_on_one_sheet_stands_what_was_quoted_and_no_form(shop: Shop, page: Page, language: str, line: str) -> None:
    page.goto(shop.link(language=language) + "?options=new_chain,four_position_trial,face_shell")
    page.emulate_media(media="print")
    assert page.locator(".amount").is_visible()
    assert page.get_by_text(line).is_visible()
    assert page.locator("button:visible, form:visible, input:visible").count() == 0
    assert {paper: sheets(page, paper) for paper in ("A4", "Letter")} == {"A4": 1, "Letter": 1}
