"""What a question about a spindle must not hold, and how it is told."""

from typing import Any

import msgspec
import pytest

from cotterline.bench.derivation import Trace
from cotterline.bench.errors import CotterlineError
from cotterline.bench.shop import ShopSettings
from cotterline.bench.spindle.question import SpindleQuestion
from cotterline.bench.spindle_options import options
from tests.bench.spindle_cases import ENGLISH_68, pair_question

BAD: list[tuple[dict[str, Any], str]] = [
    ({"crank": {"spindle_length": {"value": -113}}}, "/spindle/crank/spindle_length/value"),
    ({"crank": {"spindle_length": {"value": 300}}}, "/spindle/crank/spindle_length/value"),
    ({"crank": {"spindle_length": {"value": 113, "unit": "in"}}}, "/spindle/crank/spindle_length/value"),
    ({"crank": {"ring": "inner"}}, "/spindle/crank/ring"),
    ({"crank": {"ring_spacing": {"value": 50}}}, "/spindle/crank/ring_spacing/value"),
    ({"surroundings": {"ring": {"gap": {"value": -1}}}}, "/spindle/surroundings/ring/gap/value"),
    ({"surroundings": {"non_drive_arm": {"value": 90}}}, "/spindle/surroundings/non_drive_arm/value"),
    (
        {"surroundings": {"derailleur": {"lowest": {"value": 48}, "highest": {"value": 40}}}},
        "/spindle/surroundings/derailleur/highest",
    ),
    ({"costs": {"unit_price": {"amount": "-1.00", "currency": "EUR"}}}, "/spindle/costs/unit_price/amount"),
]


@pytest.mark.parametrize(("body", "pointer"), BAD)
def test_a_value_that_cannot_be_right_is_named(body: dict[str, Any], pointer: str) -> None:
    with pytest.raises(CotterlineError) as refused:
        options(pair_question(113, 43, 43, **body), ENGLISH_68, ShopSettings(), Trace(), "/spindle")
    assert refused.value.code == "impossible-value"
    assert pointer in [fault.pointer for fault in refused.value.faults]


def test_every_fault_is_named_at_once() -> None:
    asked = pair_question(-1, 300, 2)
    with pytest.raises(CotterlineError) as refused:
        options(asked, ENGLISH_68, ShopSettings(), Trace())
    assert {fault.pointer for fault in refused.value.faults} == {
        "/target/chain_line/value",
        "/crank/spindle_length/value",
        "/crank/chain_line/chain_line/value",
    }


@pytest.mark.parametrize(
    "body",
    [
        {"target": {"aim": "guess"}, "crank": {"known_by": "unknown"}},
        {"target": {"aim": "nominal", "kind": "track"}, "crank": {"known_by": "unknown", "colour": "red"}},
        {"target": {"aim": "nominal", "kind": "track"}},
        {"target": {"aim": "nominal", "kind": "track"}, "crank": {"known_by": "unknown"}, "unit": {"spacer_mm": -1}},
        {"target": {"aim": "nominal", "kind": "track"}, "crank": {"known_by": "unknown"}, "unit": {"taper": "oval"}},
    ],
)
def test_a_body_of_the_wrong_shape_does_not_decode(body: dict[str, Any]) -> None:
    with pytest.raises(msgspec.ValidationError):
        msgspec.convert(body, SpindleQuestion)
