"""A workshop prepares what its quotes have in common: for itself alone, anew when it changes, and unseen outside."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs

from cotterline.bench.derivation import Trace
from cotterline.bench.estimates import Estimate
from cotterline.bench.labour.book import DEFAULT_BOOK, LabourBook, OptionId
from cotterline.bench.labour.condition import JobCondition
from cotterline.bench.labour.facts import JobFacts
from cotterline.bench.labour.learning import LabourTime
from cotterline.bench.labour.work import Job, with_ordered
from cotterline.bench.plan import Plan
from cotterline.bench.pricing.in_force import PricingInForce
from cotterline.bench.pricing.sourcing import Basket
from cotterline.bench.pricing.total_cost import EVEN_SHARES, Prices
from cotterline.bench.pricing.work_cost import work_cost
from cotterline.bench.quotes import QuoteRequest, quote
from cotterline.bench.spindle.question import SpindleQuestion
from cotterline.bench.workshop import MOST_REMEMBERED, Workshop
from tests.bench.labour.books import contingency, operation, outlines, random_book, random_facts
from tests.bench.pricing_cases import FULL_AND_LOW, list_of, ordered, rules, shop, unit

SPINDLE: dict[str, Any] = {
    "target": {"aim": "old", "measurement": {"method": "measured_chain_line", "chain_line": {"value": 42}}},
    "crank": {
        "known_by": "reference_pair",
        "taper": "jis",
        "spindle_length": {"value": 113, "tool": "caliper"},
        "chain_line": {"method": "measured_chain_line", "chain_line": {"value": 42, "tool": "caliper"}},
        "rings": 2,
    },
}
MEASURED_WELL = {"method": "measured_chain_line", "chain_line": {"value": 42, "tool": "caliper"}}
REQUEST = msgspec.convert(
    {
        "evidence": [
            {"kind": "old_crank", "crank": "cottered"},
            {"kind": "shell_width", "reading": {"value": 68, "tool": "caliper"}},
            {"kind": "pitch_gauge", "side": "drive", "leaf": 24, "leaf_unit": "tpi"},
            {"kind": "cup_hand", "side": "drive", "hand": "left"},
        ],
        "spindle": SPINDLE,
    },
    QuoteRequest,
)
SLOW = tuple(LabourTime(operation=name, minutes=90.0) for name in DEFAULT_BOOK.operations)
DEARER = shop("GBP", {"prices": "added", "rates": FULL_AND_LOW}, labour_rates={"bench": "91"}, shipping="3")
LONGER = structs.replace(
    DEFAULT_BOOK,
    operations={
        name: structs.replace(row, minutes=structs.replace(row.minutes, high=row.minutes.high + 30))
        for name, row in DEFAULT_BOOK.operations.items()
    },
)
SHOPS: dict[str, dict[str, Any]] = {
    "as shipped": {},
    "own times": {"times": SLOW},
    "own prices": {"profile": DEARER},
    "own book": {"book": LONGER},
    "own parts": {"parts": (unit(taper="jis"),), "price_lists": (list_of("s", u113="19.95"),)},
    "other prices of parts": {"parts": (unit(taper="jis"),), "price_lists": (list_of("s", u113="29.95"),)},
}


RULES = (rules(), rules("GBP", labour_rates={"bench": "61", "cutting": "72.50"}, shipping="3.10"))


def answered(workshop: Workshop) -> bytes:
    return msgspec.json.encode(quote(REQUEST, workshop, Trace(wanted=False)))


def test_workshops_asked_by_turns_answer_as_each_alone() -> None:
    alone = {name: answered(Workshop(**brings)) for name, brings in SHOPS.items()}
    assert len(set(alone.values())) == len(SHOPS)
    kept = {name: Workshop(**brings) for name, brings in SHOPS.items()}
    for name in (*SHOPS, *reversed(SHOPS), *SHOPS):
        assert answered(kept[name]) == alone[name], name


@pytest.mark.parametrize("name", [name for name in SHOPS if name != "as shipped"])
def test_a_workshop_that_changes_is_prepared_anew(name: str) -> None:
    before = Workshop()
    answered(before)
    assert answered(replace(before, **SHOPS[name])) == answered(Workshop(**SHOPS[name])) != answered(before)


def test_what_is_prepared_is_not_kept_with_a_workshop() -> None:
    used, fresh = Workshop(), Workshop()
    answered(used)
    assert used == fresh
    assert msgspec.msgpack.encode(used) == msgspec.msgpack.encode(fresh)


UNDECIDED = structs.replace(REQUEST, evidence=REQUEST.evidence[:1], job=JobCondition(rust="heavy"))


def planned(request: QuoteRequest, workshop: Workshop, *, derivation: bool = False) -> tuple[Plan, Estimate]:
    result = quote(request, workshop, Trace(wanted=derivation))
    return result.plan, result.estimate


def test_what_is_remembered_of_a_job_that_may_not_be_ordered_is_what_is_worked_out_with_a_derivation() -> None:
    workshop = Workshop()
    older = structs.replace(UNDECIDED, job=JobCondition(rust="heavy", years_since_service=40))
    for request in (UNDECIDED, older, UNDECIDED, older):
        assert planned(request, workshop) == planned(request, workshop, derivation=True)
        assert planned(request, workshop) == planned(request, Workshop())
    assert planned(UNDECIDED, workshop)[0] != planned(older, workshop)[0]


def test_a_prediction_that_bears_on_such_a_job_is_not_passed_over() -> None:
    """By a book of the shop's own that has what a miss brings in an operation of every job."""
    rows = {"miss": structs.replace(DEFAULT_BOOK.contingencies["pedal_seized"], chance_from="spindle")}
    workshop = Workshop(book=structs.replace(DEFAULT_BOOK, contingencies=rows))
    ruled = structs.replace(UNDECIDED, spindle=msgspec.convert(SPINDLE, SpindleQuestion))
    surer = {**SPINDLE, "target": {"aim": "old", "measurement": MEASURED_WELL}}
    gauged = structs.replace(UNDECIDED, spindle=msgspec.convert(surer, SpindleQuestion))
    found = [planned(request, workshop)[0] for request in (ruled, gauged, ruled)]
    assert found[0] == found[2]
    chances = [row.chance for made in found for step in made.steps for row in step.contingencies]
    assert len(set(chances)) == 2


def test_no_more_whole_answers_are_remembered_than_said() -> None:
    workshop, asked = Workshop(), list[int]()

    def make(_: Workshop, kind: int) -> int:
        asked.append(kind)
        return -kind

    for kind in (0, 0, *range(1, MOST_REMEMBERED + 1), 0):
        assert workshop.remembered(make, kind) == -kind
    assert asked == [0, *range(1, MOST_REMEMBERED + 1), 0]


@pytest.mark.parametrize("wanted", [(), ("second_spindle",), ("face_shell", "second_spindle")])
@pytest.mark.parametrize("miss", [0.0, 0.3, 1.0])
def test_an_exchange_of_the_shipped_book_is_paid_for_as_often_as_it_happens(
    wanted: tuple[OptionId, ...], miss: float
) -> None:
    """Held against the job by itself, and by hand: each costs 9.70, as often as no length fits."""
    held = rules(labour_rates={"bench": "61", "cutting": "72.50"}, shipping="5.50", return_shipping="4.20")
    free = rules(labour_rates={"bench": "61", "cutting": "72.50"})
    facts = JobFacts(ordering_allowed=True, old_crank="cottered", threaded=True, miss_first=miss, miss_all=miss / 2)
    work = Job(facts=facts).work(with_ordered(facts, wanted))
    prepared, alone = (
        Prices(held).total(work, Basket()),
        Prices(held).total_of(work_cost(work.load, held.rated), Basket()),
    )
    assert prepared.quantiles(EVEN_SHARES) == alone.quantiles(EVEN_SHARES)
    without = Prices(free).total(work, Basket()).expected_units
    chance = miss / 2 if wanted else miss
    assert prepared.expected_units - without == pytest.approx(970 * chance, abs=1)


def test_work_too_wide_for_the_grid_is_laid_on_the_coarser_one_that_the_job_by_itself_takes() -> None:
    """Each case alone would fit: it is the exchange that may be or not be that makes the work too wide."""
    wide = {"bench": operation(0, 200, 450), "cut": structs.replace(operation(0, 100, 400), labour_class="cutting")}
    miss = structs.replace(contingency("bench", 0.5), cost="exchange", chance_from="spindle")
    book = LabourBook(operations=wide, contingencies={"miss": miss})
    held = rules(labour_rates={"bench": "61.30", "cutting": "72.10"}, shipping="3.10")
    work = Job(facts=JobFacts(miss_first=0.3), outlines=outlines(book)).work(frozenset())
    assert [work_cost(case.load, held.rated).grid_minutes for case in work.outline.cases] == [1, 1]
    prepared, alone = Prices(held).total(work, Basket()), work_cost(work.load, held.rated)
    assert prepared.grid_minutes == alone.grid_minutes > 1
    assert prepared.quantiles(EVEN_SHARES) == Prices(held).total_of(alone, Basket()).quantiles(EVEN_SHARES)


@given(random_book(), random_facts(), st.sampled_from(((), ("second_spindle",))), st.sampled_from(RULES))
def test_what_is_prepared_costs_what_the_job_by_itself_does(
    book: LabourBook, facts: JobFacts, wanted: Sequence[OptionId], held: PricingInForce
) -> None:
    kept, prices = Basket(lines=(ordered("19.99", currency=held.currency),), returns=len(wanted)), Prices(held)
    first = {name: row for name, row in book.contingencies.items() if not isinstance(row.after, str)}
    open_rows = {name: structs.replace(row, chance_from="spindle") for name, row in first.items()}
    shops = outlines(structs.replace(book, contingencies=book.contingencies | open_rows))
    work = Job(facts=facts, outlines=shops).work(with_ordered(facts, wanted))
    prepared, alone = prices.total(work, kept), prices.total_of(work_cost(work.load, held.rated), kept)
    assert prepared.quantiles(EVEN_SHARES) == alone.quantiles(EVEN_SHARES)
    assert prepared.expected == alone.expected
    assert prepared.suffices(alone.quantile(0.5)) == pytest.approx(alone.suffices(alone.quantile(0.5)), abs=1e-9)
