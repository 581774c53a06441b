"""A browser without a window, for what people look at.

Chromium is looked for on the search path. Where there is none the tests say so and skip; with ``CI=true`` that is a
failure.
"""

import os
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, NamedTuple

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, ConsoleMessage, Page, Request, sync_playwright

from tests.contract.node import give_up

GUIDELINES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
"""What axe-core checks: Web Content Accessibility Guidelines 2.2, levels A and AA, and its own advice."""


PATIENCE = 10_000
"""How long something may take to show, in milliseconds."""


class Watched(NamedTuple):
    """A page, and every request it made."""

    page: Page
    asked: list[Request]


@contextmanager
def chromium() -> Iterator[Browser]:
    """Start a browser that reaches this machine alone. While it runs its thread can run no event loop."""
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        give_up("there is no chromium on the search path", os.environ)
    options = ["--no-sandbox", "--disable-gpu", "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"]
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=options)
        yield browser
        browser.close()


@contextmanager
def watching(browser: Browser, home: str = "", **context: Any) -> Iterator[Watched]:  # noqa: ANN401 - of a context
    """Open a page; a request to anyone but its home, a cookie or an error on its console fails the test."""
    opened = browser.new_context(**context)
    opened.set_default_timeout(PATIENCE)
    watched = Watched(opened.new_page(), [])
    wrong: list[str] = []

    def read(message: ConsoleMessage) -> None:
        refused = message.location["url"] == watched.page.url and message.text.startswith("Failed to load resource")
        if message.type == "error" and not refused:  # the page itself may well be a 404
            wrong.append(message.text)

    opened.on("request", lambda request: watched.asked.append(request))  # noqa: PLW0108 - it marks what it is given
    opened.on("console", read)
    watched.page.on("pageerror", lambda error: wrong.append(error.message))
    yield watched
    elsewhere = [request.url for request in watched.asked if not at_home(request.url, home)]
    trouble = [*elsewhere, *wrong, *opened.cookies()]
    assert not trouble, trouble
    opened.close()


def at_home(url: str, home: str) -> bool:
    """Whether an address is of the page's own service, or holds what it names."""
    return url.startswith("data:") or bool(home and url.startswith(f"{home}/"))


def violations(page: Page) -> list[str]:
    """What a page does that shuts somebody out; its context must have ``bypass_csp`` where the page has a policy."""
    found = Axe().run(page, options={"runOnly": GUIDELINES}).response["violations"]
    return [f"{rule['id']}: {rule['help']}: {[node['html'] for node in rule['nodes']]}" for rule in found]


def sheets(page: Page, paper: str = "A4") -> int:
    """Print a page on paper of its own choice, or else on this, and count the sheets."""
    printed = page.pdf(format=paper, prefer_css_page_size=True, print_background=True)
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", printed))
