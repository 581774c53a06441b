"""The estimate's dots stand where its quantiles are, and say how many jobs stay within the ceiling."""

from xml.etree import ElementTree as ET

import msgspec
import pytest

from cotterline.bench.estimates import MoneyRange
from cotterline.bench.money import Money
from cotterline.bench.pricing.ceiling import Ceiling
from cotterline.documents.drawings.cost import cost_distribution
from cotterline.documents.language import Language
from tests.documents.drawings.drawn import BIKES, Sheet, drawn, job, span, x_of


def shown(index: int) -> tuple[MoneyRange, Ceiling, Sheet]:
    estimate, svg = job(index).result.estimate, drawn(index, "cost")
    assert svg is not None
    assert isinstance(estimate.ceiling, Ceiling)
    return estimate.money, estimate.ceiling, Sheet(svg)


def places(sheet: Sheet) -> list[float]:
    """Where the dots stand, from left to right."""
    return sorted(float(dot.attrib["cx"]) for part in ("within", "beyond") for dot in sheet.parts(part))


@pytest.mark.parametrize("index", range(len(BIKES)))
def test_marks_stand_where_their_amounts_lie(index: int) -> None:
    money, ceiling, sheet = shown(index)
    low, high = span(sheet.part("p10-p90"))
    per_unit = (high - low) / float(money.p90.decimal - money.p10.decimal)

    def at(amount: Money) -> float:
        return low + float(amount.decimal - money.p10.decimal) * per_unit

    marks = {"p50": money.p50, "expected": money.expected, "ceiling": ceiling.amount}
    for part, amount in marks.items():
        assert x_of(sheet.part(part)) == pytest.approx(at(amount), abs=0.01), part
    # Dots that would lie on one another are piled up, by no more than their own width aside.
    for x, amount in zip(places(sheet), money.curve, strict=True):
        assert x == pytest.approx(at(amount), abs=3.6)
    assert len(money.curve) == 20


@pytest.mark.parametrize("index", range(len(BIKES)))
def test_hollow_dots_are_the_jobs_beyond_the_ceiling(index: int) -> None:
    money, ceiling, sheet = shown(index)
    within = sum(amount.decimal <= ceiling.amount.decimal for amount in money.curve)
    full, hollow = sheet.parts("within"), sheet.parts("beyond")
    assert (len(full), len(hollow)) == (within, 20 - within)
    assert {dot.attrib["fill"] for dot in full} != {dot.attrib["fill"] for dot in hollow} or not hollow
    assert f"{within} of 20 stay within the" in " ".join(sheet.texts)
    # The shop's ceiling is a quantile: what it says and what the dots show must agree to one dot.
    assert abs(within / 20 - ceiling.suffices) <= 0.05


def test_no_dot_lies_on_another() -> None:
    for index in range(len(BIKES)):
        _, _, sheet = shown(index)
        dots = [dot for part in ("within", "beyond") for dot in sheet.parts(part)]
        assert all(_apart(one, other) for one in dots for other in dots if one is not other), BIKES[index].reference


def _apart(one: ET.Element, other: ET.Element) -> bool:
    across, down = (float(one.attrib[name]) - float(other.attrib[name]) for name in ("cx", "cy"))
    return across**2 + down**2 >= (float(one.attrib["r"]) + float(other.attrib["r"])) ** 2


def test_an_estimate_kept_without_a_curve_shows_its_range_and_says_so() -> None:
    money, ceiling, _ = shown(0)
    told = msgspec.json.decode(msgspec.json.encode(money))
    del told["curve"]
    before = msgspec.convert(told, MoneyRange)
    assert before.curve == ()
    sheet = Sheet(cost_distribution(before, ceiling, Language.of("en")))
    assert span(sheet.part("range")) == span(sheet.part("p10-p90"))
    assert any("was not kept" in words for words in sheet.texts)
    assert places(sheet) == []


def test_a_job_of_one_price_is_one_pile() -> None:
    same = Money(amount="120.00", currency="EUR")
    money = MoneyRange(p10=same, p50=same, p90=same, expected=same, complete=True, curve=(same,) * 20)
    sheet = Sheet(cost_distribution(money, msgspec.UNSET, Language.of("de")))
    assert len(places(sheet)) == 20
    assert len(set(places(sheet))) == 1
