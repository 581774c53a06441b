"""A shop's pricing is held to what makes sense."""

from typing import Any, get_args

import msgspec
import pytest

from cotterline.bench.errors import CotterlineError
from cotterline.bench.labour.book import LabourClass
from cotterline.bench.pricing.rules import INVENTED, LabourRates, Pricing, check_pricing
from cotterline.bench.shop_profile import ShopProfile, check_profile
from tests.bench.pricing_cases import shop


def test_the_invented_pricing_makes_sense_in_its_currency_and_says_that_it_is_invented() -> None:
    assert not list(check_pricing(INVENTED.pricing, INVENTED.currency, frozenset(), ""))
    assert INVENTED.grade == "invented"


def test_every_class_of_labour_can_have_a_rate() -> None:
    assert LabourRates.__struct_fields__ == get_args(LabourClass)


def test_a_shop_states_no_pricing_unless_it_does() -> None:
    assert ShopProfile().pricing is msgspec.UNSET


def test_sound_pricing_is_taken() -> None:
    check_profile(
        shop(
            "KWD",
            {"prices": "added", "rates": [{"name": "full", "percent": "5"}]},
            labour_rates={"bench": "12.500"},
            markup=[{"up_to": "5", "percent": "50"}, {"percent": "20"}],
            sundries={"kind": "flat", "amount": "0.250"},
            discounts=[
                {"name": "club", "percent": "60", "on": "labour"},
                {"name": "sale", "percent": "40", "on": "all"},
            ],
            tax_by_kind={"labour": "full"},
        )
    )


@pytest.mark.parametrize(
    ("currency", "pricing", "pointer"),
    [
        ("EUR", {"labour_rates": {"cutting": "-60"}}, "/labour_rates/cutting"),
        ("EUR", {"minimum_labour": "-1"}, "/minimum_labour"),
        ("EUR", {"shipping": "-0.01"}, "/shipping"),
        ("EUR", {"return_shipping": "1.005"}, "/return_shipping"),
        ("JPY", {"labour_rates": {"bench": "60.5"}}, "/labour_rates/bench"),
        ("KWD", {"sundries": {"kind": "flat", "amount": "0.2505"}}, "/sundries/amount"),
        ("EUR", {"sundries": {"kind": "share", "of": "parts", "percent": "3", "cap": "-6"}}, "/sundries/cap"),
        ("EUR", {"ceiling": {"round_up_to": "-5"}}, "/ceiling/round_up_to"),
        ("EUR", {"markup": [{"up_to": "-1", "percent": "3"}, {"percent": "2"}]}, "/markup/0/up_to"),
        ("EUR", {"markup": [{"percent": "3"}, {"percent": "2"}]}, "/markup/0/up_to"),
        ("EUR", {"markup": [{"up_to": "9", "percent": "3"}]}, "/markup/0/up_to"),
        (
            "EUR",
            {"markup": [{"up_to": "9", "percent": "3"}, {"up_to": "9.00", "percent": "2"}, {"percent": "1"}]},
            "/markup/1/up_to",
        ),
        ("EUR", {"deposit_percent": "100.5"}, "/deposit_percent"),
        ("EUR", {"tax_by_kind": {"parts": "full"}}, "/tax_by_kind/parts"),
        ("EUR", {"discounts": [{"name": "a", "percent": "1", "on": "all"}] * 2}, "/discounts/1/name"),
        (
            "EUR",
            {"discounts": [{"name": "a", "percent": "60", "on": "all"}, {"name": "b", "percent": "41", "on": "parts"}]},
            "/discounts",
        ),
    ],
)
def test_what_makes_no_sense_is_refused_at_its_place(currency: str, pricing: dict[str, Any], pointer: str) -> None:
    with pytest.raises(CotterlineError) as refusal:
        check_profile(shop(currency, **pricing))
    assert [fault.pointer for fault in refusal.value.faults] == [f"/pricing{pointer}"]


def test_the_words_for_a_negative_price_say_so() -> None:
    with pytest.raises(CotterlineError) as refusal:
        check_profile(shop(labour_rates={"bench": "-60"}))
    assert "negative" in refusal.value.faults[0].detail


def test_all_faults_are_named_at_once() -> None:
    with pytest.raises(CotterlineError) as refusal:
        check_profile(shop(minimum_labour="-1", shipping="-1"))
    assert len(refusal.value.faults) == 2


def test_an_unknown_currency_is_named_and_nothing_else() -> None:
    with pytest.raises(CotterlineError) as refusal:
        check_profile(shop("XYZ", minimum_labour="-1"))
    assert [fault.pointer for fault in refusal.value.faults] == ["/currency"]


@pytest.mark.parametrize("amount", ["", "1,5", "1e3", "NaN", "Infinity", "٥", "5\n", "+1", "01", "123456789"])
def test_an_amount_in_another_form_is_refused(amount: str) -> None:
    with pytest.raises(msgspec.ValidationError):
        msgspec.convert({"minimum_labour": amount}, Pricing)


@pytest.mark.parametrize("quantile", [0.49, 0.995])
def test_a_ceiling_for_fewer_than_half_or_for_all_jobs_is_refused(quantile: float) -> None:
    with pytest.raises(msgspec.ValidationError):
        msgspec.convert({"ceiling": {"quantile": quantile}}, Pricing)
