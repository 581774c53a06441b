"""Where the parts of a bracket are drawn, against where a ruler finds them: reckoned here, never by what is tested."""

from typing import Literal

import msgspec
import pytest

from cotterline.bench.derivation import Trace
from cotterline.bench.quotes import QuoteRequest, quote
from cotterline.bench.spindle.question import SpindleQuestion, WantedUnit
from cotterline.documents.drawings.of_quote import draw
from cotterline.documents.language import Language
from tests.documents.drawings.drawn import BIKES, WORKSHOP, Sheet, corners, job, span, x_of

ITALIAN = next(index for index in range(len(BIKES)) if job(index).result.verdict.leading.drive == "italian")
"""A shell of 70 mm with a thread of 36 mm (common practice, no source), and a crank with two rings 7 mm apart."""

LONGER, SPACER, FACED, UNIT = 3.0, 2.0, 0.5, 68.0
"""Right end less left end, under the flange, off the shell, and the shell width the unit is made for, mm."""


def asked(unit: WantedUnit) -> QuoteRequest:
    """That bicycle with another unit."""
    request = BIKES[ITALIAN]
    question = request.spindle
    assert isinstance(question, SpindleQuestion)
    return msgspec.structs.replace(request, spindle=msgspec.structs.replace(question, unit=unit))


class Measured:
    """A drawing read back in millimetres of the bicycle, outward on the drive side."""

    def __init__(self, request: QuoteRequest) -> None:
        result = quote(request, WORKSHOP, Trace(wanted=False))
        svg = draw("cross-section", request, result, Language.of("en"))
        assert svg is not None
        assert result.spindle
        self.sheet, self.spindle = Sheet(svg), result.spindle
        self.factor = next(self.sheet.factors)
        self.middle = x_of(self.sheet.part("mid-plane"))

    def at(self, x: float) -> float:
        """How far out a place on paper is."""
        return (x - self.middle) / self.factor

    def span(self, part: str) -> tuple[float, float]:
        """From where to where the first piece of a part reaches."""
        left, right = span(self.sheet.parts(part)[0])
        return self.at(left), self.at(right)

    @property
    def faces(self) -> list[float]:
        """Both faces of the shell."""
        return sorted({self.at(x_of(face)) for face in self.sheet.parts("shell-face")})

    @property
    def ends(self) -> list[float]:
        """Both ends of the spindle."""
        return sorted(self.at(corners(taper)[0][0]) for taper in self.sheet.parts("taper"))


@pytest.mark.parametrize(("seat", "side"), [("right", 1.0), ("left", -1.0)])
def test_a_flange_stands_off_the_faced_face_by_its_spacer_and_unit_and_spindle_go_with_it(
    seat: Literal["right", "left"], side: float
) -> None:
    unit = WantedUnit(seat=seat, asymmetry_mm=LONGER, spacer_mm=SPACER, facing_mm=FACED, unit_width_mm=UNIT)
    drawn = Measured(asked(unit))
    face = side * (35.0 - FACED)
    assert drawn.faces == pytest.approx(sorted((face, -side * 35.0)), abs=0.01)
    seated = face + side * SPACER
    assert drawn.span("spacer") == pytest.approx(sorted((face, seated)), abs=0.01)
    assert drawn.span("unit") == pytest.approx(sorted((seated, seated - side * UNIT)), abs=0.01)
    assert side * drawn.span("flange")[0 if side > 0 else 1] == pytest.approx(side * seated, abs=0.01)
    middle, length = seated - side * UNIT / 2, drawn.spindle.first.spindle_length.value
    assert drawn.ends == pytest.approx([middle - (length - LONGER) / 2, middle + (length + LONGER) / 2], abs=0.01)


def test_a_unit_as_wide_as_its_shell_without_spacer_lies_in_the_middle() -> None:
    drawn = Measured(asked(WantedUnit()))
    assert drawn.sheet.parts("spacer") == []
    assert drawn.faces == pytest.approx([-35.0, 35.0], abs=0.01)
    assert drawn.span("unit") == pytest.approx((-35.0, 35.0), abs=0.01)
    assert sum(drawn.ends) == pytest.approx(0.0, abs=0.01)


def test_the_bore_is_that_of_the_thread_and_two_rings_stand_either_side_of_the_chain_line() -> None:
    drawn = Measured(asked(WantedUnit()))
    inside = {float(line.attrib["y1"]) for line in drawn.sheet.parts("shell-inside")}
    assert (max(inside) - min(inside)) / drawn.factor == pytest.approx(36.0, abs=0.01)
    line = drawn.spindle.first.chain_line.value
    rings = sorted(drawn.at(x_of(ring)) for ring in drawn.sheet.parts("ring"))
    assert rings == pytest.approx([line - 3.5, line + 3.5], abs=0.01)


def test_edges_that_were_not_measured_are_dashed_and_named_and_measured_ones_are_neither() -> None:
    for index in range(len(BIKES)):
        request = BIKES[index]
        if not job(index).result.spindle:
            continue
        drawn = Measured(request)
        measured = not isinstance(request.shell_condition.outside_diameter, msgspec.UnsetType)
        edges = drawn.sheet.parts("shell-outside")
        assert all(("stroke-dasharray" in edge.attrib) != measured for edge in edges)
        assert ("outside of the shell" in " ".join(drawn.sheet.texts)) != measured
        assert all("stroke-dasharray" in drawn.sheet.part(part).attrib for part in ("unit", "cup", "flange"))


def test_a_shell_whose_width_nobody_measured_says_so_and_has_dashed_faces() -> None:
    request = BIKES[ITALIAN]
    result = quote(request, WORKSHOP, Trace(wanted=False))
    width = msgspec.structs.replace(result.verdict.shell_width, measured=False)
    guessed = msgspec.structs.replace(result, verdict=msgspec.structs.replace(result.verdict, shell_width=width))
    for answer, measured in ((result, True), (guessed, False)):
        svg = draw("cross-section", request, answer, Language.of("en"))
        assert svg is not None
        sheet = Sheet(svg)
        assert ("shell 70 mm, not measured" in sheet.texts) != measured
        assert all(("stroke-dasharray" in face.attrib) != measured for face in sheet.parts("shell-face"))
