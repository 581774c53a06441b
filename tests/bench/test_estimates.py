"""An estimate: the range of a planned job, held against every way it can turn out."""

from collections.abc import Iterator, Mapping, Sequence
from fractions import Fraction
from itertools import product
from typing import Any

import msgspec
import pytest

from cotterline.bench.derivation import Trace
from cotterline.bench.estimates import NOTICES, Estimate, PlannedJob, estimate
from cotterline.bench.labour.book import LabourBook, LabourClass, OptionId
from cotterline.bench.labour.condition import JobCondition
from cotterline.bench.labour.facts import JobFacts
from cotterline.bench.labour.minutes import triangular
from cotterline.bench.labour.work import Job
from cotterline.bench.money import Money, whole
from cotterline.bench.plan import Plan, PlanContingency, PlanStep, plan
from cotterline.bench.pricing.catalogue import Part
from cotterline.bench.pricing.in_force import in_force
from cotterline.bench.pricing.sourcing import SourcedParts, basket
from cotterline.bench.pricing.total_cost import Prices, terms
from cotterline.bench.shop_profile import ShopProfile
from tests.bench.formulas import check_steps
from tests.bench.labour.books import outlines
from tests.bench.pricing.job_enumeration import quantile
from tests.bench.pricing_cases import FULL_AND_LOW, for_role, list_of, rules, shop, sourced, unit, unit_line

FACTS = JobFacts(ordering_allowed=True, old_crank="cottered", threaded=True, miss_first=0.3, miss_all=0.1, rings=2)
PRICING: dict[str, Any] = {
    "labour_rates": {"bench": "61.00", "cutting": "72.50", "frame": "90.00"},
    "minimum_labour": "12",
    "sundries": {"kind": "share", "of": "labour", "percent": "3", "cap": "0.60"},
    "discounts": [{"name": "Club", "percent": "10", "on": "labour"}],
    "shipping": "6.50",
    "return_shipping": "4.20",
    "deposit_percent": "20",
    "tax_by_kind": {"labour": "full", "parts": "low", "sundries": "full", "shipping": "full"},
}
ADDED = {"prices": "added", "rates": FULL_AND_LOW}
PARTS = sourced([unit_line()], [unit()], [list_of("s", u113="19.95")], rules(markup=[{"percent": "40"}]))
"""One unit: 19.95 * 1.40 = 27.93."""


def minutes(low: float, likely: float, high: float) -> dict[str, float]:
    return {"low": low, "likely": likely, "high": high}


SMALL_BOOK = msgspec.convert(
    {
        "operations": {
            "open": {"name": "Open", "minutes": minutes(3, 4, 6)},
            "cut": {"name": "Cut", "labour_class": "cutting", "minutes": minutes(4, 4, 4), "times": 2},
            "fit": {"name": "Fit", "minutes": minutes(5, 6, 6), "when": "unit_to_fit"},
        },
        "contingencies": {
            "stuck": {"operation": "open", "name": "Stuck", "chance": 0.3, "extra": minutes(5, 5, 5), "ask": True},
            "drill": {
                "operation": "open",
                "name": "Drill",
                "chance": 0.5,
                "extra": minutes(1, 2, 4),
                "after": "stuck",
            },
            "blunt": {"operation": "cut", "name": "Blunt", "chance": 0.2, "extra": minutes(3, 3, 3)},
            "miss": {
                "operation": "fit",
                "name": "Miss",
                "chance": 0.1,
                "extra": minutes(2, 3, 3),
                "chance_from": "spindle",
                "cost": "exchange",
                "ask": True,
            },
        },
    },
    LabourBook,
)


SECOND = msgspec.structs.replace(
    SMALL_BOOK,
    operations=SMALL_BOOK.operations
    | {
        "second": msgspec.convert(
            {"name": "Second", "minutes": minutes(1, 1, 1), "when": "second_length", "option": "second_spindle"},
            type(SMALL_BOOK.operations["fit"]),
        )
    },
)


def planned(
    job: Job,
    wanted: Sequence[OptionId] = (),
    parts: SourcedParts = PARTS,
    trace: Trace | None = None,
    option_parts: Mapping[OptionId, SourcedParts] | None = None,
) -> PlannedJob:
    made = plan(job, wanted, trace or Trace())
    return PlannedJob(job=job, plan=made, wanted=wanted, parts=parts, option_parts=option_parts or {})


def priced(job: Job, profile: ShopProfile | None = None, **other: Any) -> Estimate:  # noqa: ANN401 - as above
    return estimate(planned(job, **other), Prices(in_force(profile or shop("EUR", ADDED, **PRICING))), Trace())


Way = tuple[dict[LabourClass, int], int, Fraction]


def ways_of(step: PlanStep) -> Iterator[Way]:
    """Every way one step, done once, can turn out, from what the plan states."""
    spread = triangular(step.minutes.low, step.minutes.likely, step.minutes.high)
    first = [row for row in step.contingencies if row.after is msgspec.UNSET]
    for value, mass in zip(spread.values, spread.mass, strict=True):
        for branch in product(*(list(branches(row, step.contingencies)) for row in first)):
            chance = Fraction(float(mass))
            for _, _, share in branch:
                chance *= share
            spent = int(value) + sum(extra for extra, _, _ in branch)
            yield {step.labour_class: spent}, sum(exchanges for _, exchanges, _ in branch), chance


def branches(row: PlanContingency, rows: Sequence[PlanContingency]) -> Iterator[tuple[int, int, Fraction]]:
    """Minutes, exchanges and chance of each way a contingency can go, with what follows on it."""
    chance = Fraction(row.chance)
    yield 0, 0, 1 - chance
    followers = [list(branches(other, rows)) for other in rows if other.after == row.contingency]
    spread = triangular(row.extra.low, row.extra.likely, row.extra.high)
    for value, mass in zip(spread.values, spread.mass, strict=True):
        for following in product(*followers):
            share = chance * Fraction(float(mass))
            for _, _, each in following:
                share *= each
            exchanges = (row.cost == "exchange") + sum(more for _, more, _ in following)
            yield int(value) + sum(more for more, _, _ in following), exchanges, share


def totals_of(made: Plan, profile: ShopProfile, parts: SourcedParts) -> dict[Fraction, Fraction]:
    """The chance of every exact total, reckoned one combination of minutes at a time."""
    held = in_force(profile)
    reckon = terms(basket(parts.lines), held)
    found: dict[Fraction, Fraction] = {}
    for way in product(*(list(ways_of(step)) for step in made.steps for _ in range(step.times))):
        chance, labour, exchanges = Fraction(1), Fraction(0), 0
        for spent, sent, share in way:
            chance *= share
            exchanges += sent
            labour += sum((held.rated[name] * value / 60 for name, value in spent.items()), Fraction(0))
        total = reckon.total(labour, exchanges)
        found[total] = found.get(total, Fraction(0)) + chance
    return found


def test_the_range_of_a_small_plan_is_that_of_every_combination_of_minutes() -> None:
    profile = shop("EUR", ADDED, **PRICING)
    job = Job(facts=FACTS, outlines=outlines(SMALL_BOOK))
    found = priced(job, profile)
    totals = totals_of(plan(job, (), Trace()), profile, PARTS)
    assert float(sum(totals.values())) == pytest.approx(1)
    assert len(totals) > 50
    by_hand = {share: whole(quantile(totals, Fraction(share)), "half_even") for share in (0.1, 0.5, 0.9)}
    money = found.money
    assert [item.amount for item in (money.p10, money.p50, money.p90)] == [f"{u / 100:.2f}" for u in by_hand.values()]
    mean = float(sum(total * chance for total, chance in totals.items()))
    assert float(money.expected.decimal) == pytest.approx(mean / 100, abs=0.005000001)
    assert isinstance(found.ceiling, msgspec.Struct)
    enough = sum(chance for total, chance in totals.items() if total <= found.ceiling.amount.decimal * 100)
    assert found.ceiling.suffices == pytest.approx(float(enough), abs=1e-6)


def test_a_complete_estimate_names_a_ceiling_a_deposit_and_where_to_ask() -> None:
    found = priced(Job(facts=FACTS))
    assert found.money.complete
    assert found.missing_prices == ()
    assert isinstance(found.ceiling, msgspec.Struct)
    assert isinstance(found.deposit, Money)
    assert found.deposit.decimal == found.ceiling.amount.decimal / 5
    assert found.ceiling.amount.decimal >= found.money.p90.decimal
    assert found.decision_points
    assert found.pricing == "own"
    assert [line.sku for line in found.parts] == ["u113"]


def test_every_formula_of_an_estimate_gives_its_value() -> None:
    trace = Trace()
    estimate(planned(Job(facts=FACTS), trace=trace), Prices(rules("EUR", ADDED, **PRICING)), trace)
    steps = check_steps(trace.steps)
    assert {"ceiling in minor units", "deposit in minor units, before rounding"} <= {step.name for step in steps}


# Opening takes 13 / 3 min, and 0.3 * (5 + 0.5 * 7 / 3) more; fitting 17 / 3: 11.85, so 12 min. Cutting 2 * 4 min and
# 2 * 0.2 * 3 more: 9.2, so 10 min. 12 * 61 / 60 = 12.20 and 10 * 72.50 / 60 = 12.08.
def test_the_bill_is_for_the_expected_work_and_adds_up() -> None:
    found = priced(Job(facts=FACTS, outlines=outlines(SMALL_BOOK))).bill
    labour = [(line.quantity, line.amount.amount) for line in found.lines if line.kind == "labour"]
    assert labour == [("12", "12.20"), ("10", "12.08")]
    assert sum(line.amount.decimal for line in found.lines) == found.total.decimal


# Stuck takes 5 min, and half the time 1 to 4 more; P90 is 8. At 61.00 less 10 %, plus 20 %: 5 min are 5.49, 8 are
# 8.784. A miss takes 3 min, 3.294, and an exchange of 10.70 with 20 %, 12.84: 16.134.
def test_a_decision_point_says_what_it_would_add() -> None:
    stuck, miss = priced(Job(facts=FACTS, outlines=outlines(SMALL_BOOK))).decision_points
    assert (stuck.contingency, miss.contingency) == ("stuck", "miss")
    assert (stuck.chance, miss.chance) == (0.3, 0.3)
    assert miss.extra_p90 == Money(amount="16.13", currency="EUR")
    assert stuck.extra_p50 == Money(amount="5.49", currency="EUR")
    assert stuck.extra_p90 == Money(amount="8.78", currency="EUR")


@pytest.mark.parametrize(
    ("left_out", "what"),
    [
        ("shipping", "Delivery of parts"),
        ("return_shipping", "Sending a spindle back"),
        ("labour_rates", "Labour: bench"),
    ],
)
def test_what_has_no_price_is_named_and_no_ceiling_is(left_out: str, what: str) -> None:
    pricing = {name: value for name, value in PRICING.items() if name != left_out}
    found = priced(Job(facts=FACTS), shop("EUR", ADDED, **pricing))
    assert what in [item.what for item in found.missing_prices]
    assert not found.money.complete
    assert (found.ceiling, found.deposit) == (msgspec.UNSET, msgspec.UNSET)
    assert "prices-missing" in [notice.code for notice in found.notices]


def test_a_class_without_a_rate_is_named_and_its_decisions_have_no_price() -> None:
    pricing = PRICING | {"labour_rates": {"cutting": "72.50"}}
    found = priced(Job(facts=FACTS, outlines=outlines(SMALL_BOOK)), shop("EUR", ADDED, **pricing))
    assert [item.what for item in found.missing_prices] == ["Labour: bench"]
    assert {point.extra_p50 for point in found.decision_points} == {msgspec.UNSET}


def test_a_part_nobody_has_a_price_for_is_named() -> None:
    nothing = sourced([unit_line()], [], [], rules())
    found = priced(Job(facts=FACTS), parts=nothing)
    assert [item.line for item in found.missing_prices] == [1]
    assert found.ceiling is msgspec.UNSET


def test_a_unit_to_be_fitted_is_never_free_because_nobody_looked() -> None:
    found = priced(Job(facts=FACTS), parts=SourcedParts())
    assert [item.what for item in found.missing_prices] == ["The parts to order"]


def test_local_law_is_deferred_to_first_whatever_else_is_said() -> None:
    for job in (Job(facts=FACTS), Job(facts=JobFacts())):
        assert priced(job).notices[0] == NOTICES["local-law"]
    assert "cancel" in NOTICES["local-law"].text
    assert "deposit" in NOTICES["local-law"].text


def codes(found: Estimate) -> set[str]:
    return {notice.code for notice in found.notices}


def test_an_invented_price_says_so_and_a_shop_in_another_currency_has_none() -> None:
    home = priced(Job(facts=FACTS), ShopProfile())
    assert (home.pricing, "invented-pricing" in codes(home)) == ("invented", True)
    abroad = priced(Job(facts=FACTS), ShopProfile(currency="JPY"), parts=SourcedParts())
    assert (abroad.pricing, abroad.money.p90.amount, abroad.money.complete) == ("none", "0", False)
    assert {"no-pricing", "prices-missing"} <= codes(abroad)
    own = codes(priced(Job(facts=FACTS)))
    assert not own & {"invented-pricing", "no-pricing", "no-tax-rate", "prices-missing", "coarser-minutes"}


def test_a_job_that_is_not_settled_is_priced_for_the_work_until_it_is() -> None:
    found = priced(Job(facts=JobFacts(old_crank="cottered", threaded=True)), parts=SourcedParts())
    assert found.money.complete
    assert isinstance(found.ceiling, msgspec.Struct)
    assert "before-ordering" in codes(found)
    assert "before-ordering" not in codes(priced(Job(facts=FACTS)))


def width(found: Estimate) -> float:
    return float(found.money.p90.decimal - found.money.p10.decimal)


def test_seized_cotters_widen_the_range_clearly() -> None:
    clean = priced(Job(facts=FACTS, condition=JobCondition(rust="none", cotter_nuts="free", years_since_service=1)))
    seized = priced(Job(facts=FACTS, condition=JobCondition(rust="heavy", cotter_nuts="seized")))
    assert width(seized) > 1.5 * width(clean)
    assert seized.money.expected.decimal > clean.money.expected.decimal


def test_what_drives_the_money_is_told_largest_first() -> None:
    shares = [driver.share for driver in priced(Job(facts=FACTS)).drivers]
    assert shares == sorted(shares, reverse=True)
    assert sum(shares) == pytest.approx(1, abs=1e-4)


def chain(*prices: str) -> SourcedParts:
    offered = list_of("s", **{f"c{index}": price for index, price in enumerate(prices)})
    parts = [Part(sku=offer.sku, name="Chain", role="chain") for offer in offered.offers]
    return for_role("chain", "New chain", parts, [offered], rules())


def option(found: Estimate, name: OptionId) -> Any:  # noqa: ANN401 - one option's price
    return next(item for item in found.options if item.option == name)


def test_an_option_is_priced_with_its_part_beside_the_job_without_it() -> None:
    """The chain at 20.00 with 5 % tax is 21.00; its minutes come on top."""
    without_part = priced(Job(facts=FACTS), option_parts={})
    found = priced(Job(facts=FACTS), option_parts={"new_chain": chain("20.00")})
    dearer = option(found, "new_chain").expected_change.decimal
    assert dearer - option(without_part, "new_chain").expected_change.decimal == 21
    assert found.money == without_part.money
    assert not option(found, "new_chain").included


def test_an_option_that_is_wanted_is_in_the_estimate_and_priced_against_the_job_without() -> None:
    parts: dict[str, Any] = {"option_parts": {"new_chain": chain("20.00")}}
    plain, with_chain = priced(Job(facts=FACTS), **parts), priced(Job(facts=FACTS), wanted=("new_chain",), **parts)
    offered, taken = option(plain, "new_chain"), option(with_chain, "new_chain")
    assert taken.included
    assert (offered.expected_with, offered.expected_without) == (taken.expected_with, taken.expected_without)
    assert with_chain.money.expected == taken.expected_with
    assert plain.money.expected == taken.expected_without
    assert "c0" in [line.sku for line in with_chain.parts]


def test_a_chain_that_is_wanted_and_has_no_price_is_missing_from_the_estimate() -> None:
    nothing = {"new_chain": chain()}
    assert priced(Job(facts=FACTS), option_parts=nothing).money.complete
    found = priced(Job(facts=FACTS), wanted=("new_chain",), option_parts=nothing)
    assert [item.what for item in found.missing_prices] == ["New chain"]
    assert option(found, "new_chain").missing_prices == found.missing_prices


def test_a_second_spindle_costs_its_way_back_and_saves_exchanges() -> None:
    """Sending one back is 4.20 with 20 %: 5.04. The chance of an exchange falls from 0.3 to 0.1."""
    free_return = shop("EUR", ADDED, **(PRICING | {"return_shipping": "0"}))
    apart = [
        option(priced(Job(facts=FACTS, outlines=outlines(SECOND)), profile), "second_spindle").expected_change.decimal
        for profile in (shop("EUR", ADDED, **PRICING), free_return)
    ]
    assert float(apart[0] - apart[1]) == pytest.approx(5.04 - 0.2 * 5.04, abs=0.011)
