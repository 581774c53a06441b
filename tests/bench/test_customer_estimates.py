"""What a customer's choice of options comes to follows from what is kept, and is the exact price to a minute."""

from decimal import Decimal
from itertools import combinations
from typing import Any

import msgspec
import pytest
from msgspec import UnsetType

from cotterline.api import examples
from cotterline.bench.customer_estimates import KeptOffer, choice, offer_of, open_options
from cotterline.bench.derivation import Trace
from cotterline.bench.labour.book import OptionId
from cotterline.bench.money import Money
from cotterline.bench.pricing.catalogue import Part, PriceList
from cotterline.bench.pricing.ceiling import Ceiling
from cotterline.bench.quotes import QuoteRequest, QuoteResult, quote
from cotterline.bench.workshop import Workshop
from tests.api.ordering import PARTS, PRICES, SHORTER
from tests.bench.formulas import check_steps
from tests.bench.pricing_cases import shop

REQUEST = msgspec.json.decode(examples.read("whole_job"), type=QuoteRequest)
OFFERS = [*PRICES["offers"], {"sku": "U-68-110", "price": "14.00"}]
RULES: dict[str, Any] = {
    "labour_rates": {"bench": "60", "cutting": "60", "frame": "60"},
    "shipping": "4.00",
    "return_shipping": "5.00",
}
A_MINUTE = Decimal(1)
"""Of labour, at 60 an hour."""


def workshop(currency: str = "EUR", **pricing: Any) -> Workshop:  # noqa: ANN401 - any part of a pricing
    """A shop that has a price for everything the job needs."""
    return Workshop(
        profile=shop(currency, **RULES | pricing),
        parts=msgspec.convert([*PARTS, SHORTER], tuple[Part, ...]),
        price_lists=(msgspec.convert({**PRICES, "currency": currency, "offers": OFFERS}, PriceList),),
    )


def result(place: Workshop, *options: OptionId) -> QuoteResult:
    return quote(msgspec.structs.replace(REQUEST, options=options), place, Trace())


def kept(found: QuoteResult) -> KeptOffer:
    """What is left of a result once it was kept."""
    offer = offer_of(msgspec.json.encode(found))
    assert offer is not None
    return offer


def every_choice(offer: KeptOffer) -> list[tuple[OptionId, ...]]:
    names = [option.option for option in open_options(offer.estimate)]
    assert len(names) >= 3
    return [chosen for count in range(len(names) + 1) for chosen in combinations(names, count)]


def ceilings(place: Workshop) -> list[tuple[Decimal, Decimal]]:
    """For every choice of options, the ceiling from what is kept and that of a quote which has them from the start."""
    offer = kept(result(place))
    pairs = []
    for options in every_choice(offer):
        mine, exact = choice(offer, options, Trace()).ceiling, result(place, *options).estimate.ceiling
        assert isinstance(mine, Money)
        assert isinstance(exact, Ceiling)
        pairs.append((mine.decimal, exact.amount.decimal))
    return pairs


@pytest.mark.parametrize("quantile", [0.5, 0.75, 0.9, 0.99])
def test_the_ceiling_with_options_is_within_a_minute_of_the_exact_one(quantile: float) -> None:
    # The exact one comes from the whole distribution of the job with the options, reckoned anew.
    for mine, exact in ceilings(workshop(ceiling={"quantile": quantile, "round_up_to": "0"})):
        assert abs(mine - exact) <= A_MINUTE


def test_rounded_by_the_shops_rule_it_is_the_exact_one_or_one_step_off() -> None:
    pairs = ceilings(workshop(ceiling={"round_up_to": "5"}))
    assert all(mine % 5 == 0 and abs(mine - exact) in {0, 5} for mine, exact in pairs)
    assert sum(mine == exact for mine, exact in pairs) > len(pairs) / 2


def test_without_options_it_is_the_ceiling_that_was_quoted() -> None:
    for step in ("0", "5", "36"):
        found = result(workshop(ceiling={"round_up_to": step}))
        assert isinstance(found.estimate.ceiling, Ceiling)
        alone = choice(kept(found), (), Trace())
        assert (alone.ceiling, alone.expected) == (found.estimate.ceiling.amount, found.estimate.money.expected)


def test_the_mean_with_options_is_the_exact_one() -> None:
    place = workshop()
    offer = kept(result(place))
    for options in every_choice(offer):
        exact = result(place, *options).estimate.money.expected.decimal
        # Each figure is rounded to a cent before they are added.
        assert abs(choice(offer, options, Trace()).expected.decimal - exact) <= Decimal("0.01") * (1 + len(options))


def test_every_figure_follows_from_its_formula() -> None:
    trace = Trace()
    found = choice(kept(result(workshop())), ("face_shell", "new_chain"), trace)
    assert isinstance(found.ceiling, Money)
    mean, most = check_steps(trace.steps)
    assert Decimal(str(mean.value)) == found.expected.decimal * 100
    assert Decimal(str(most.value)) == found.ceiling.decimal * 100
    # By hand from the kept figures: 271.80 and changes of 20.00 and 21.00, up to a multiple of 5.
    assert most.inputs == {"enough": 27180.0, "more": 4100.0, "step": 500.0}
    assert found.ceiling.amount == "315.00"


def test_options_stand_in_the_order_of_the_estimate_however_they_were_asked_for() -> None:
    offer = kept(result(workshop()))
    one, other = (
        choice(offer, ["face_shell", "new_chain"], Trace()),
        choice(offer, ["new_chain", "face_shell"], Trace()),
    )
    assert one == other
    assert one.options == ("new_chain", "face_shell")


def test_what_is_in_the_estimate_already_or_has_no_price_cannot_be_chosen() -> None:
    offer = kept(result(workshop()))
    included = [option.option for option in offer.estimate.options if option.included]
    assert included == ["second_spindle"]
    assert choice(offer, included, Trace()) == choice(offer, (), Trace())
    unpriced = msgspec.structs.replace(REQUEST, options=())
    nothing = kept(quote(unpriced, Workshop(), Trace()))
    assert [option.option for option in nothing.estimate.options if option.missing_prices] == ["new_chain"]
    assert choice(nothing, ["new_chain"], Trace()).options == ()


def test_while_a_price_is_missing_there_is_nothing_to_agree_to() -> None:
    assert isinstance(choice(kept(quote(REQUEST, Workshop(), Trace())), (), Trace()).ceiling, UnsetType)


def test_in_another_currency_amounts_have_its_own_coins() -> None:
    # ISO 4217: the Kuwaiti dinar has three decimals.
    offer = kept(result(workshop("KWD", ceiling={"round_up_to": "0.125"})))
    found = choice(offer, ["face_shell"], Trace()).ceiling
    assert isinstance(found, Money)
    assert found == Money(amount="291.875", currency="KWD")


def test_a_result_from_before_there_were_estimates_offers_nothing() -> None:
    assert offer_of(b'{"summary":"ISO/English, 68 mm"}') is None
