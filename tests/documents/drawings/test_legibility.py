"""Drawings are read in grey print, by colour-blind readers, and at the bench: measured in a browser and by formula."""

from itertools import combinations
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from numpy.typing import NDArray
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
    return float(np.array([0.2126, 0.7152, 0.0722]) @ linear(colour))


def linear(colour: str) -> NDArray[np.float64]:
    """Red, green and blue light of a colour (the same)."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    return np.array([part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts])


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
        assert contrast(colour, pens.SHADE) >= 3.0
    assert contrast(pens.BLACK, pens.PAPER) >= 4.5  # success criterion 1.4.3, for words


TO_CONES = np.array([[17.8824, 43.5161, 4.11935], [3.45565, 27.1554, 3.86714], [0.0299566, 0.184309, 1.46709]])
MISSING_CONES = {
    "protan": np.array([[0, 2.02344, -2.52581], [0, 1, 0], [0, 0, 1]]),
    "deutan": np.array([[1, 0, 0], [0.494207, 0, 1.24827], [0, 0, 1]]),
}
"""F. Vienot, H. Brettel and J. D. Mollon, "Digital Video Colourmaps for Checking the Legibility of Displays by
Dichromats", Color Research and Application 24 (1999), 243-252."""


def lab(linear: NDArray[np.float64]) -> NDArray[np.float64]:
    """CIE 1976 L*a*b* of linear light in the sRGB primaries (IEC 61966-2-1:1999), white its own."""
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    share = to_xyz @ linear / to_xyz.sum(axis=1)
    x, y, z = np.where(share > (6 / 29) ** 3, np.cbrt(share), share * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])


@pytest.mark.parametrize("missing", MISSING_CONES)
def test_readers_without_a_kind_of_cone_still_tell_every_two_colours_apart(missing: str) -> None:
    """Thirty is ten times what two patches side by side are told apart by; common practice, no source."""
    seen = np.linalg.inv(TO_CONES) @ MISSING_CONES[missing] @ TO_CONES
    shown = [lab(np.clip(seen @ linear(colour), 0, 1)) for colour in (*pens.COLOURS, pens.PAPER)]
    assert min(float(np.linalg.norm(one - other)) for one, other in combinations(shown, 2)) >= 30
    # Grey is grey to everyone: the matrices are written down rightly.
    assert seen @ np.ones(3) == pytest.approx(np.ones(3), abs=0.01)


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
