"""Drawings are read in grey print, by colour-blind readers, and at the bench: measured in a browser and by formula."""

from itertools import combinations
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from playwright.sync_api import Browser

from cotterline.bench.quantity import Unit
from cotterline.documents.drawings import pens
from cotterline.documents.drawings.of_quote import DRAWINGS, draw
from cotterline.documents.language import LANGUAGES, Language
from tests.browser import watching
from tests.documents.drawings.drawn import BIKES, SVG, drawn, job

UNITS: tuple[Unit, ...] = ("mm", "in")
LEAST_POINTS = 7.5
"""Below which nobody reads at the bench. Common practice, no source."""

OKABE_ITO = {"black": "#000000", "blue": "#0072B2", "vermilion": "#D55E00"}
"""Okabe and Ito, "Color Universal Design: how to make figures and presentations … colorblind people", 2008."""

ALLOWED = {"svg", "title", "desc", "rect", "line", "path", "circle", "text"}

MEASURE = """() => [...document.querySelectorAll('svg')].map(svg => {
  const box = e => { const b = e.getBBox(); return [b.x, b.y, b.x + b.width, b.y + b.height] };
  return {
    sheet: svg.viewBox.baseVal.width ? [0, 0, svg.viewBox.baseVal.width, svg.viewBox.baseVal.height] : null,
    name: svg.querySelector('desc').id,
    texts: [...svg.querySelectorAll('text')].map(e => [e.textContent, ...box(e)]),
    shapes: [...svg.querySelectorAll('line, path, circle')].map(box),
  }
})"""


def every(tag: str, units: Unit) -> list[str]:
    """Every drawing there is of every bicycle."""
    made = (drawn(index, name, tag, units) for index in range(len(BIKES)) for name in DRAWINGS)
    return [svg for svg in made if svg is not None]


def luminance(colour: str) -> float:
    """Relative luminance (W3C, Web Content Accessibility Guidelines 2.2, definition of relative luminance)."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return sum(weight * part for weight, part in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def contrast(one: str, other: str) -> float:
    """Contrast ratio (the same, definition of contrast ratio)."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_formula_gives_the_ratio_that_the_guidelines_state() -> None:
    # WCAG 2.2, success criterion 1.4.3: black on white is 21 to 1.
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0)


def test_lines_are_of_a_published_palette_and_stand_out_from_paper_and_shade_as_drawings_must() -> None:
    assert set(pens.COLOURS) == set(OKABE_ITO.values())
    for colour in pens.COLOURS:
        assert contrast(colour, pens.PAPER) >= 3.0  # WCAG 2.2, success criterion 1.4.11, for what must be told apart
        assert contrast(colour, pens.SHADE) >= 2.8  # a band's ground; its lines are also told apart by their edges
    assert contrast(pens.BLACK, pens.PAPER) >= 4.5  # success criterion 1.4.3, for words


def test_without_colour_every_chain_line_and_band_still_has_a_look_of_its_own() -> None:
    lines = [pen.dashes for pen in (pens.WANTED, pens.EXPECTED, pens.FOUND)]
    assert len(set(lines)) == len(lines)
    bands = [band.rise for band in (pens.WANTED_BAND, pens.EXPECTED_BAND, pens.FOUND_BAND)]
    assert len(set(bands)) == len(bands)


@pytest.mark.parametrize("units", UNITS)
@pytest.mark.parametrize("tag", LANGUAGES)
def test_words_stay_on_the_sheet_and_off_one_another(browser: Browser, tag: str, units: Unit) -> None:
    with watching(browser) as watched:
        watched.page.set_content("".join(every(tag, units)))
        found: list[dict[str, Any]] = watched.page.evaluate(MEASURE)
        styled = watched.page.evaluate("document.querySelectorAll('[style], style, script, image, use, a').length")
    assert styled == 0
    assert len(found) == len(every(tag, units))
    for sheet in found:
        for text, *box in sheet["texts"]:
            assert inside(box, sheet["sheet"]), (sheet["name"], text)
        for box in sheet["shapes"]:
            assert inside(box, sheet["sheet"]), (sheet["name"], box)
        for (text, *one), (other, *two) in combinations(sheet["texts"], 2):
            assert not overlap(one, two), (sheet["name"], text, other)


def inside(box: list[float], sheet: list[float]) -> bool:
    return box[0] >= sheet[0] and box[1] >= sheet[1] and box[2] <= sheet[2] and box[3] <= sheet[3]


def overlap(one: list[float], two: list[float]) -> bool:
    """Whether letters meet; a line's box reaches above and below its letters, so neighbouring lines may touch."""
    touch = 0.45
    return one[0] < two[2] and two[0] < one[2] and one[1] + touch < two[3] - touch and two[1] + touch < one[3] - touch


@pytest.mark.parametrize("units", UNITS)
@pytest.mark.parametrize("tag", LANGUAGES)
def test_letters_are_large_enough_and_a_unit_is_a_millimetre(tag: str, units: Unit) -> None:
    for svg in every(tag, units):
        root = ET.fromstring(svg)  # noqa: S314 - of our own
        assert root.attrib["viewBox"].split()[2:] == [
            root.attrib[name].removesuffix("mm") for name in ("width", "height")
        ]
        sizes = {float(text.attrib["font-size"]) for text in root.iter(f"{{{SVG}}}text")}
        assert min(sizes) / 25.4 * 72 >= LEAST_POINTS
        assert {element.tag.removeprefix(f"{{{SVG}}}") for element in root.iter()} <= ALLOWED
        assert root.attrib["lang"] == tag
        assert root.attrib["role"] == "img"


def test_the_same_quote_gives_the_same_bytes_and_another_reader_other_words() -> None:
    for name in DRAWINGS:
        found = job(12)
        twice = [draw(name, found.request, found.result, Language.of("en"), found.fitted) for _ in range(2)]
        assert twice[0] == twice[1]
        assert twice[0] != draw(name, found.request, found.result, Language.of("de"), found.fitted)
