"""What the spindle of a kept quote is to fit."""

import msgspec

from cotterline.bench.fit.fitting import Fitting, fitting_of
from cotterline.bench.quotes import QuoteRequest
from cotterline.bench.shop import ShopSettings
from cotterline.bench.shop_profile import ShopProfile
from cotterline.bench.spindle.crank import ReferencePair
from cotterline.bench.spindle.question import ShellForSpindle
from cotterline.bench.workshop import Workshop
from tests.bench.bikes import COTTERED
from tests.bench.spindle_cases import cotter_question, pair_question, question


def test_the_question_of_a_kept_request_is_what_a_spindle_has_to_fit() -> None:
    asked = cotter_question(113, 42, unit={"taper": "jis"})
    shop = ShopSettings(chain_line_tolerance_mm=2)
    workshop = Workshop(profile=ShopProfile(calculation=shop))
    found = fitting_of(QuoteRequest(evidence=COTTERED, spindle=asked), workshop)
    assert found == Fitting(question=asked, shell=ShellForSpindle(family="iso_english", width=68), settings=shop)
    own = ShopSettings(chain_line_tolerance_mm=1, units="in")
    found = fitting_of(QuoteRequest(evidence=COTTERED, spindle=asked, settings=own), workshop)
    assert found is not None
    assert (found.settings, found.shell.width) == (own, 68)
    assert fitting_of(QuoteRequest(evidence=COTTERED), workshop) is None


def test_a_crank_of_the_shops_own_is_known_by_its_measurements() -> None:
    measured = pair_question(113, 47.5, 47.5).crank
    shop = msgspec.convert({"cranks": [{"name": "the blue one", "crank": msgspec.to_builtins(measured)}]}, ShopProfile)
    asked = question(
        target={"aim": "stated", "chain_line": {"value": 47.5}},
        crank={"known_by": "shop_crank", "name": "the blue one"},
    )
    found = fitting_of(QuoteRequest(evidence=COTTERED, spindle=asked), Workshop(profile=shop))
    assert found is not None
    assert isinstance(measured, ReferencePair)
    assert found.question.crank == msgspec.structs.replace(measured, model="the blue one")
