"""The bench card says in the reader's words what the quote says, fits on one sheet, and names what does not."""

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import get_args
from uuid import UUID

import msgspec
import pytest
from lxml import html
from playwright.sync_api import Browser, Page

from cotterline.bench.derivation import Trace
from cotterline.bench.labour.book import DEFAULT_BOOK
from cotterline.bench.quotes import QuoteRequest, QuoteResult, quote
from cotterline.bench.shell.evidence import Stamp
from cotterline.bench.workshop import Workshop
from cotterline.documents.bench_card import CardJob, bench_card
from cotterline.documents.language import LANGUAGES, Language
from cotterline.documents.sheet import HEIGHT, MARGIN, Paper
from tests.browser import sheets, violations, watching
from tests.documents.catalogue import texts

BIKES = msgspec.json.decode(
    (Path(__file__).parents[2] / "demo_fixtures" / "bikes.json").read_bytes(), type=tuple[QuoteRequest, ...]
)
PAPERS: tuple[Paper, ...] = get_args(Paper)
MM_PER_PIXEL = 25.4 / 96
"""A pixel of CSS (W3C, CSS Values and Units Level 3, section 6.2)."""

SMALLEST = 7.5
"""Points below which nobody reads at the bench. Common practice, no source."""


@cache
def _answered(index: int) -> QuoteResult:
    return quote(BIKES[index], Workshop(), Trace(wanted=False))


def _job(index: int) -> CardJob:
    request = BIKES[index]
    made = datetime(2024, 5, 1, tzinfo=UTC)
    return CardJob("01900000-0000-7000-8000-000000000000", str(request.reference), 1, made, request, _answered(index))


def _read(card: str) -> html.HtmlElement:
    return html.fromstring(card)


@pytest.fixture
def paper(browser: Browser) -> Iterator[Page]:
    """Give a page of a browser, to print; a card fetches nothing."""
    with watching(browser) as watched:
        watched.page.emulate_media(media="print")
        yield watched.page


def _sheets(page: Page, card: str) -> int:
    page.set_content(card)
    return sheets(page)


@pytest.mark.parametrize("size", PAPERS)
@pytest.mark.parametrize("tag", LANGUAGES)
def test_every_demo_job_fits_on_one_sheet_with_all_its_steps_large_enough(paper: Page, tag: str, size: Paper) -> None:
    for index in range(len(BIKES)):
        card = bench_card(_job(index), Language.of(tag), size).html
        assert _sheets(paper, card) == 1, BIKES[index].reference
        height = paper.evaluate("document.querySelector('main').getBoundingClientRect().height") * MM_PER_PIXEL
        assert height <= HEIGHT[size] - 2 * MARGIN, BIKES[index].reference
        assert len(_read(card).find_class("what")) == len(_answered(index).plan.steps), BIKES[index].reference
        smallest = paper.evaluate(
            "Math.min(...[...document.querySelectorAll('main *')].map(e => parseFloat(getComputedStyle(e).fontSize)))"
        )
        assert smallest * 0.75 >= SMALLEST, BIKES[index].reference


def _longest(words: str, index: int) -> CardJob:
    """Return a job of a shop that uses every letter it may, with many more steps and observations than usual."""
    full = (words * 120)[:120]
    rows = {name: msgspec.structs.replace(row, name=full) for name, row in DEFAULT_BOOK.operations.items()}
    row = msgspec.structs.replace(rows["intake_and_measuring"], tools=(full,) * 3)
    more = {f"more_{number}": row for number in range(60)}
    asked = {
        name: msgspec.structs.replace(item, question=(words * 400)[:400]) if item.ask else item
        for name, item in DEFAULT_BOOK.contingencies.items()
    }
    stamps = (Stamp(side="drive", text=(words * 40)[:40].strip()),) * 25
    request = msgspec.structs.replace(BIKES[index], evidence=(*BIKES[index].evidence, *stamps))
    book = msgspec.structs.replace(DEFAULT_BOOK, operations=rows | more, contingencies=asked)
    result = quote(request, Workshop(book=book), Trace(wanted=False))
    return CardJob(str(UUID(int=0)), (words * 200)[:200], 200, datetime(2024, 5, 1, tzinfo=UTC), request, result)


@pytest.mark.parametrize("words", ["W", "rim ", "RING "])
@pytest.mark.parametrize("index", [0, 7])
def test_a_plan_longer_than_a_sheet_is_cut_short_and_says_so(paper: Page, words: str, index: int) -> None:
    job = _longest(words, index)
    count = len(job.result.plan.steps)
    for size in PAPERS:
        for tag in LANGUAGES:
            card = bench_card(job, Language.of(tag, "in"), size).html
            shown = len(_read(card).find_class("what"))
            assert 3 < shown < count
            assert re.search(rf"\b{shown + 1}\b.*\b{count}\b", _read(card).find_class("left")[0].text_content())
            assert _sheets(paper, card) == 1
            assert paper.evaluate("document.documentElement.scrollWidth <= window.innerWidth"), "nothing juts out"


@pytest.mark.parametrize("tag", LANGUAGES)
def test_a_card_can_be_read_by_everybody(paper: Page, tag: str) -> None:
    paper.emulate_media(media="screen")
    for index in (0, 7):
        paper.set_content(bench_card(_job(index), Language.of(tag), "a4").html)
        assert violations(paper) == []


class _Listening(Language):
    """Remembers every text it is asked to say."""

    heard: set[str]

    def say(self, text: str, /, **values: object) -> str:
        """Say it, and remember it."""
        self.heard.add(text)
        return super().say(text, **values)


def test_whatever_a_card_says_is_known_to_the_catalogues() -> None:
    listening = _Listening.of("de")
    assert isinstance(listening, _Listening)
    listening.heard = set()
    for index in range(len(BIKES)):
        bench_card(_job(index), listening, "a4")
    assert listening.heard - texts() - {""} == set()
    assert len(listening.heard) > 150


def test_a_job_says_to_order_only_where_the_quote_does() -> None:
    for index in range(len(BIKES)):
        card = _read(bench_card(_job(index), Language.of("en"), "a4").html)
        allowed = _answered(index).ordering.allowed
        assert card.find_class("word")[0].text == ("FIT TO ORDER" if allowed else "DO NOT ORDER")
        assert bool(card.find_class("why")) is not allowed
        assert bool(card.find_class("boxes")) is allowed


def test_every_step_carries_its_cautions_or_leads_to_them() -> None:
    job = _job(0)
    rows = _read(bench_card(job, Language.of("en"), "a4").html).xpath("//ol/li")
    said: dict[str, int] = {}
    for row, step in zip(rows, job.result.plan.steps, strict=True):
        text = row.text_content()
        for caution in step.cautions:
            if caution.code == "follow-part":
                continue
            first = said.setdefault(caution.code, step.number)
            assert (
                caution.text in text if first == step.number else re.search(rf"Caution as at [\d, ]*\b{first}\b", text)
            )
        asked = [point.question for point in job.result.plan.decision_points if point.step == step.number]
        assert all(question in text for question in asked)
    assert (
        "Follow the part's own instructions and local rules"
        in _read(bench_card(job, Language.of("en"), "a4").html).find(".//footer").text_content()
    )
