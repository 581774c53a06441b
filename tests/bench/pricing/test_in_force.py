"""Which rules hold for a shop."""

from fractions import Fraction

import pytest

from cotterline.bench.pricing.in_force import in_force
from cotterline.bench.pricing.rules import INVENTED, Pricing
from cotterline.bench.shop_profile import ShopProfile
from tests.bench.pricing_cases import FULL_AND_LOW, rules, shop


def test_a_shops_own_pricing_goes_before_the_invented_one() -> None:
    held = in_force(shop(minimum_labour="9"))
    assert (held.grade, held.pricing.minimum_labour) == ("own", "9")
    assert held.rated == {}


def test_a_shop_without_pricing_gets_the_invented_one_in_its_currency_only() -> None:
    assert in_force(ShopProfile()).pricing == INVENTED.pricing
    abroad = in_force(ShopProfile(currency="JPY"))
    assert (abroad.grade, abroad.pricing, abroad.rated) == ("none", Pricing(), {})


@pytest.mark.parametrize(
    ("currency", "rate", "units"), [("EUR", "60.50", 6050), ("JPY", "7000", 7000), ("KWD", "1.005", 1005)]
)
def test_a_rate_counts_in_the_smallest_coin(currency: str, rate: str, units: int) -> None:
    assert rules(currency, labour_rates={"frame": rate}).rated == {"frame": Fraction(units)}


def test_a_kind_of_line_carries_the_rate_it_names_or_none() -> None:
    held = rules(tax={"rates": FULL_AND_LOW}, tax_by_kind={"labour": "low"})
    labour = held.tax_on("labour")
    assert labour is not None
    assert labour.percent == "5"
    assert held.tax_on("parts") is None
