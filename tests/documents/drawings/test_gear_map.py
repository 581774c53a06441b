"""The gear map: rings and sprockets stand to scale, and each chain runs as the core says."""

import math

import pytest

from cotterline.bench.chain.drivetrain import DrivetrainResult
from cotterline.documents.drawings.shown_bracket import in_mm
from tests.documents.drawings.drawn import BIKES, Sheet, drawn, job, x_of

GEARED = [index for index in range(len(BIKES)) if job(index).result.drivetrain]


def shown(index: int) -> tuple[DrivetrainResult, Sheet]:
    found, svg = job(index).result.drivetrain, drawn(index, "gear-map")
    assert found
    assert svg is not None
    return found, Sheet(svg)


def test_there_are_bicycles_with_gears_and_others_have_no_map() -> None:
    assert {len(shown(index)[0].gears) > 1 for index in GEARED} == {True, False}
    assert all(drawn(index, "gear-map") is None for index in range(len(BIKES)) if index not in GEARED)


@pytest.mark.parametrize("index", GEARED)
def test_rings_and_sprockets_stand_to_scale(index: int) -> None:
    found, sheet = shown(index)
    (factor,) = sheet.factors
    places = [*found.sprockets, *found.rings]
    at = [x_of(bar) for part in ("sprocket", "ring") for bar in sheet.parts(part)]
    assert len(at) == len(places)
    for x, place in zip(at, places, strict=True):
        assert x - at[0] == pytest.approx((in_mm(place.offset) - in_mm(places[0].offset)) * factor, abs=0.0011)


@pytest.mark.parametrize("index", GEARED)
def test_each_gear_is_one_chain_from_its_sprocket_to_its_ring_and_told_apart_beyond_the_limit(index: int) -> None:
    found, sheet = shown(index)
    sprockets, rings = ([x_of(bar) for bar in sheet.parts(part)] for part in ("sprocket", "ring"))
    expected = {(sprockets[gear.sprocket - 1], rings[gear.ring - 1]): gear.beyond_limit for gear in found.gears}
    drawn_chains = {
        (float(chain.attrib["x1"]), float(chain.attrib["x2"])): part == "beyond"
        for part in ("within", "beyond")
        for chain in sheet.parts(part)
    }
    assert drawn_chains == expected
    assert sum(drawn_chains.values()) == found.gears_beyond_limit
    assert all("stroke-dasharray" in chain.attrib for chain in sheet.parts("beyond"))
    assert len(sheet.parts("mark")) == 2 * found.gears_beyond_limit  # one on the chain, one in the table


@pytest.mark.parametrize("index", GEARED)
def test_the_table_gives_every_angle(index: int) -> None:
    """The angle whose tangent is offset over chainstay: bikeforums.net post 3872383, as in the core's own tests."""
    found, sheet = shown(index)
    asked = job(index).request.drivetrain
    assert asked
    stay = asked.chainstay_length.mm
    told = [float(words) for words in sheet.texts if words[1:].replace(".", "").isdigit() and words[0] in "+-"]
    angles = [math.degrees(math.atan2(in_mm(gear.offset), stay)) for gear in found.gears]
    rounded = sorted(round(angle, 2) for angle in angles if round(angle, 2))
    assert sorted(told) == pytest.approx(rounded, abs=0.011)


@pytest.mark.parametrize("index", GEARED)
def test_the_straightest_chain_alone_is_heavy(index: int) -> None:
    found, sheet = shown(index)
    straightest = found.extremes.straightest
    sprockets, rings = ([x_of(bar) for bar in sheet.parts(part)] for part in ("sprocket", "ring"))
    widths = {
        (float(chain.attrib["x1"]), float(chain.attrib["x2"])): float(chain.attrib["stroke-width"])
        for chain in (*sheet.parts("within"), *sheet.parts("beyond"))
    }
    heavy = widths.pop((sprockets[straightest.sprocket - 1], rings[straightest.ring - 1]))
    assert all(heavy >= 1.5 * width for width in widths.values())
