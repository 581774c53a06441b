"""The section: every distance on paper is the core's number times the scale that the drawing names."""

from xml.etree import ElementTree as ET

import msgspec
import pytest

from cotterline.bench.chain.methods import TubeToRingFace
from cotterline.bench.derivation import Trace
from cotterline.bench.quantity import Reading
from cotterline.bench.quotes import quote
from cotterline.bench.spindle.aim import OldChainLine
from cotterline.bench.spindle.question import SpindleQuestion
from cotterline.bench.spindle.taper import end_width, flat_slope
from cotterline.documents.drawings.of_quote import draw
from cotterline.documents.drawings.shown_bracket import ShownBracket, in_mm, shown_bracket
from cotterline.documents.language import Language
from tests.documents.drawings.drawn import BIKES, WORKSHOP, Job, Sheet, corners, drawn, job, span, x_of

HALF_A_THOUSANDTH = 0.0011
"""Coordinates are written to a thousandth of a millimetre, and two of them are compared."""

SHOWN = [index for index in range(len(BIKES)) if job(index).result.spindle]


def sheet(index: int) -> Sheet:
    svg = drawn(index, "cross-section")
    assert svg is not None
    return Sheet(svg)


def shown(found: Job) -> ShownBracket:
    question, spindle = found.request.spindle, found.result.spindle
    assert question
    assert spindle
    return shown_bracket(found.request, found.result, question, spindle)


@pytest.mark.parametrize("index", SHOWN)
def test_chain_lines_stand_where_the_core_says_with_their_bands(index: int) -> None:
    found, on_paper = job(index), sheet(index)
    assert found.result.spindle
    assert found.fitted
    lines = {
        "wanted": found.result.spindle.target,
        "expected": found.result.spindle.first.chain_line,
        "found": found.fitted.chain_line,
    }
    scales = [*on_paper.factors]
    assert len(scales) == 2
    middle = x_of(on_paper.part("mid-plane"))
    for part, length in lines.items():
        line, spread = in_mm(length), length.to("mm").plus_minus
        assert isinstance(spread, float)
        small, _large = on_paper.parts(f"{part}-line")
        assert x_of(small) - middle == pytest.approx(line * scales[0], abs=HALF_A_THOUSANDTH)
        for band, factor in zip(on_paper.parts(f"{part}-band"), scales, strict=True):
            left, right = span(band)
            assert right - left == pytest.approx(2 * spread * factor, abs=HALF_A_THOUSANDTH)


@pytest.mark.parametrize("index", SHOWN)
def test_enlarged_they_stand_on_the_tolerance_as_far_apart_as_they_are(index: int) -> None:
    found, on_paper = job(index), sheet(index)
    assert found.result.spindle
    assert found.fitted
    _, factor = on_paper.factors
    zones = {span(zone) for zone in on_paper.parts("tolerance-zone")}
    ((left, right),) = zones
    assert right - left == pytest.approx(2 * in_mm(found.result.spindle.tolerance) * factor, abs=HALF_A_THOUSANDTH)
    wanted, expected, measured = (x_of(on_paper.parts(f"{part}-line")[1]) for part in ("wanted", "expected", "found"))
    assert wanted == pytest.approx((left + right) / 2, abs=HALF_A_THOUSANDTH)
    assert expected - wanted == pytest.approx(in_mm(found.result.spindle.first.residual) * factor, abs=0.06 * factor)
    assert measured - wanted == pytest.approx(0.6 * factor, abs=0.06 * factor)


@pytest.mark.parametrize("index", SHOWN)
def test_shell_spindle_and_rings_are_to_scale(index: int) -> None:
    found, on_paper = job(index), sheet(index)
    bracket, (factor, _) = shown(found), on_paper.factors
    assert found.result.spindle
    middle = x_of(on_paper.part("mid-plane"))
    left, right = sorted({x_of(face) for face in on_paper.parts("shell-face")})
    assert (left - middle, right - middle) == pytest.approx(
        [face * factor for face in bracket.faces], abs=HALF_A_THOUSANDTH
    )
    ends = sorted(corners(taper)[0][0] for taper in on_paper.parts("taper"))
    length = in_mm(found.result.spindle.first.spindle_length)
    assert ends[1] - ends[0] == pytest.approx(length * factor, abs=HALF_A_THOUSANDTH)
    assert span(on_paper.part("spindle-length")) == pytest.approx(tuple(ends), abs=HALF_A_THOUSANDTH)
    inside = {float(line.attrib["y1"]) for line in on_paper.parts("shell-inside")}
    assert max(inside) - min(inside) == pytest.approx(max(bracket.bores) * factor, abs=HALF_A_THOUSANDTH)
    rings = sorted(
        sum(span(ring)) / 2 - middle if "width" in ring.attrib else x_of(ring) - middle
        for ring in on_paper.parts("ring")
    )
    assert rings == pytest.approx(sorted(place * factor for place in bracket.rings), abs=HALF_A_THOUSANDTH)


def test_a_square_end_is_as_wide_and_as_steep_as_its_standard_says() -> None:
    """Two degrees a flat: common practice of the trade, told beside the widths in bench/data/tapers.toml."""
    found, on_paper = job(SHOWN[0]), sheet(SHOWN[0])
    factor, _ = on_paper.factors
    assert found.result.spindle
    for taper in on_paper.parts("taper"):
        (end_x, top), (root_x, wide), _, (_, bottom) = corners(taper)
        assert bottom - top == pytest.approx(end_width(found.result.spindle.unit.taper) * factor, abs=HALF_A_THOUSANDTH)
        assert (top - wide) / abs(root_x - end_x) == pytest.approx(flat_slope(), abs=2e-4)


def test_a_measured_seat_tube_is_drawn_whole_and_to_scale_and_one_that_was_not_is_dashed() -> None:
    guessed = job(SHOWN[0])
    question = guessed.request.spindle
    assert isinstance(question, SpindleQuestion)
    way = TubeToRingFace(
        tube_diameter=Reading(value=28.6), to_ring_face=Reading(value=27), tooth_thickness=Reading(value=2)
    )
    asked = msgspec.structs.replace(question, target=OldChainLine(measurement=way))
    request = msgspec.structs.replace(guessed.request, spindle=asked)
    svg = draw("cross-section", request, quote(request, WORKSHOP, Trace(wanted=False)), Language.of("en"))
    assert svg is not None
    on_paper = Sheet(svg)
    left, right = (x_of(side) for side in on_paper.parts("seat-tube"))
    factor, _ = on_paper.factors
    assert right - left == pytest.approx(28.6 * factor, abs=HALF_A_THOUSANDTH)
    assert not any("seat tube" in words for words in on_paper.texts)
    assert sheet(SHOWN[0]).parts("seat-tube") == []
    assert any("seat" in words for words in sheet(SHOWN[0]).texts)


def test_a_shell_with_two_threads_is_drawn_with_both() -> None:
    index = next(each for each in SHOWN if len(set(shown(job(each)).bores)) > 1)
    on_paper = sheet(index)
    factor, _ = on_paper.factors
    other, drive = shown(job(index)).bores
    at = sorted((span(line)[0], float(line.attrib["y1"])) for line in on_paper.parts("shell-inside"))
    (_, top), (_, bottom), (_, upper), (_, lower) = at
    assert bottom - top == pytest.approx(other * factor, abs=HALF_A_THOUSANDTH)
    assert lower - upper == pytest.approx(drive * factor, abs=HALF_A_THOUSANDTH)


def test_no_ring_hides_the_whole_of_a_chain_line() -> None:
    for index in SHOWN:
        on_paper = sheet(index)
        feet = [float(ring.attrib.get("y2", 0)) or _foot(ring) for ring in on_paper.parts("ring")]
        lines = [float(on_paper.parts(f"{part}-line")[0].attrib["y2"]) for part in ("expected", "found")]
        assert max(feet, default=0.0) < min(lines) - 2


def _foot(ring: ET.Element) -> float:
    return float(ring.attrib["y"]) + float(ring.attrib["height"])
