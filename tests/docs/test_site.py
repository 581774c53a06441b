"""The documentation is built as a site without a warning; no page calls out, and each can be read by everybody."""

import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from urllib.parse import unquote, urlsplit

import pytest
from lxml import html
from playwright.sync_api import Browser, Page

from tests.browser import violations

pytestmark = pytest.mark.xdist_group("site")

ROOT = Path(__file__).parents[2]
NARROW, WIDE = 320, 1280
LOOKED_AT = (
    "index.html",
    "verdict.html",
    "settings.html",
    "partner-guide.html",
    "threats.html",
    "commands.html",
    "api.html",
    "api/parts.html",
)


def pages(site: Path) -> Mapping[str, html.HtmlElement]:
    return {str(page.relative_to(site)): html.fromstring(page.read_bytes()) for page in site.rglob("*.html")}


def fetched(page: html.HtmlElement) -> Iterator[str]:
    """What a browser fetches of itself to show a page."""
    for element, attribute in (
        ("script", "src"),
        ("link", "href"),
        ("img", "src"),
        ("iframe", "src"),
        ("source", "src"),
    ):
        yield from (found.get(attribute) for found in page.iter(element) if found.get(attribute))


def test_no_page_calls_out_and_everything_it_needs_is_there(site: Path) -> None:
    found = pages(site)
    assert len(found) > 30
    for name, page in found.items():
        for address in fetched(page):
            parts = urlsplit(address)
            assert not parts.netloc, (name, address)
            if parts.scheme != "data" and name != "404.html":
                assert (site / name).parent.joinpath(parts.path).exists(), (name, address)
    for style in site.rglob("*.css"):
        assert not re.search(r"url\(['\"]?(https?:)?//", style.read_text("utf-8")), style
        assert "@import" not in style.read_text("utf-8"), style


def test_every_link_within_leads_somewhere(site: Path) -> None:
    found = pages(site)
    places = {site / name: {*page.xpath("//@id")} for name, page in found.items()}
    for name, page in found.items():
        for link in page.iter("a"):
            parts = urlsplit(link.get("href") or "")
            if parts.netloc or parts.scheme or name == "404.html":
                continue
            target = ((site / name).parent / parts.path).resolve() if parts.path else site / name
            assert target.exists(), (name, link.get("href"))
            assert not parts.fragment or unquote(parts.fragment) in places[target], (name, link.get("href"))


def test_every_page_of_the_folder_is_on_the_site(site: Path) -> None:
    for page in (ROOT / "service/docs").rglob("*.md"):
        assert (site / page.relative_to(ROOT / "service/docs").with_suffix(".html")).exists(), page


@pytest.fixture
def shown(browser: Browser) -> Iterator[Page]:
    """A page that may fetch nothing but files."""
    page = browser.new_page()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    yield page
    page.close()
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []


@pytest.mark.parametrize("name", LOOKED_AT)
def test_a_page_can_be_read_by_everybody(site: Path, shown: Page, name: str) -> None:
    for width in (NARROW, WIDE):
        shown.set_viewport_size({"width": width, "height": 800})
        shown.goto((site / name).as_uri())
        assert shown.evaluate("document.documentElement.scrollWidth") <= width
    assert violations(shown) == []


def test_no_page_is_wider_than_a_narrow_screen(site: Path, shown: Page) -> None:
    shown.set_viewport_size({"width": NARROW, "height": 800})
    wide = []
    for page in site.rglob("*.html"):
        shown.goto(page.as_uri())
        if shown.evaluate("document.documentElement.scrollWidth") > NARROW:
            wide.append(page.name)
    assert not wide
