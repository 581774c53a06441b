"""The documentation page works offline: everything it needs is served here, and nothing it holds leads out."""

import re
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest
from litestar.testing import TestClient
from playwright.sync_api import Browser, expect

from cotterline.api.edge import Edge
from cotterline.main import openapi_document
from tests.browser import PATIENCE, watching
from tests.serving import serving

Client = TestClient[Edge]
ASSETS = Path(__file__).parents[2] / "service" / "cotterline" / "api" / "assets"
OWN = ("docs.html", "docs.js")
SERVED = ("docs.js", "swagger-ui-bundle.js", "swagger-ui.css")


def test_the_page_names_only_files_of_this_service(bench: Client) -> None:
    page = bench.get("/docs")
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    links = re.findall(r'(?:src|href)="([^"]*)"', page.text)
    assert len(links) == 5
    for link in links:
        assert link == "data:," or bench.get(f"/{link}").status_code == 200, link


@pytest.mark.parametrize("name", OWN)
def test_our_own_part_of_the_page_holds_no_address(name: str) -> None:
    assert "//" not in re.sub(r"^//.*", "", (ASSETS / name).read_text(), flags=re.MULTILINE)


def test_the_policy_lets_the_page_load_and_ask_nothing_from_elsewhere(bench: Client) -> None:
    policy = bench.get("/docs").headers["content-security-policy"]
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == "'none'"
    allowed = {word for words in rules.values() for word in words.split()}
    assert allowed == {"'none'", "'self'", "'unsafe-inline'", "data:"}
    assert "'unsafe-inline'" not in rules["script-src"]


def test_the_library_keeps_its_licence_beside_it() -> None:
    assert "Apache License" in (ASSETS / "swagger-ui.LICENSE").read_text()
    assert (ASSETS / "swagger-ui.NOTICE").read_text()


def test_a_file_of_the_page_is_sent_again_only_when_it_changed(bench: Client) -> None:
    first = bench.get("/docs/docs.js")
    assert first.headers["content-type"].startswith("text/javascript")
    assert bench.get("/docs/docs.js", headers={"if-none-match": first.headers["etag"]}).status_code == 304
    weak = {"if-none-match": f'"other", W/{first.headers["etag"]}'}
    assert bench.get("/docs/docs.js", headers=weak).status_code == 304
    assert bench.get("/docs/docs.js", headers={"if-none-match": "0"}).status_code == 400


@pytest.mark.parametrize("name", ["swagger-ui.LICENSE", "../api.py", "..%2fapi.py", "%2e%2e/problems.py", "nothing.js"])
def test_nothing_else_of_the_folder_is_served(bench: Client, name: str) -> None:
    assert bench.get(f"/docs/{name}").status_code == 404


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Serve the page."""
    with serving(tmp_path_factory.mktemp("served"), worker="off") as served:
        yield served.address


def test_a_browser_shows_every_operation_and_asks_nobody_else(address: str, browser: Browser) -> None:
    document = msgspec.json.decode(openapi_document())
    called = [*document["paths"].values(), *document["webhooks"].values()]
    names = {operation["operationId"] for path in called for operation in path.values()}
    with watching(browser, address) as (page, asked):
        page.goto(f"{address}/docs")
        expect(page.locator(".opblock")).to_have_count(len(names), timeout=PATIENCE)
        shown = page.locator(".opblock").evaluate_all("found => found.map(one => one.id)")
        assert {one.rsplit("-", 1)[-1] for one in shown} == names
        urls = {request.url for request in asked if not request.url.startswith("data:")}
    assert urls == {f"{address}/{name}" for name in ("docs", "openapi.json", *(f"docs/{name}" for name in SERVED))}
