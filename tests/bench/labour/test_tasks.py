"""The work of a job: its order, its risks, and how it falls into independent parts."""

from collections import defaultdict
from collections.abc import Iterator
from itertools import product

import pytest
from hypothesis import given
from msgspec import structs

from cotterline.bench.derivation import Trace
from cotterline.bench.labour.book import DEFAULT_BOOK, LabourBook, OptionId
from cotterline.bench.labour.condition import JobCondition
from cotterline.bench.labour.facts import JobFacts
from cotterline.bench.labour.learning import LabourTime
from cotterline.bench.labour.minutes import MinuteDistribution
from cotterline.bench.labour.pace import bench_order
from cotterline.bench.labour.tasks import Risk, Task
from cotterline.bench.labour.work import Job, note_chances, with_ordered, workload_of
from cotterline.bench.labour.workload import Workload
from tests.bench.formulas import check_steps
from tests.bench.labour.books import contingency, operation, outlines, random_book

FITTING = JobFacts(ordering_allowed=True, old_crank="cottered", threaded=True)


def work(book: LabourBook, facts: JobFacts = FITTING, *chosen: OptionId) -> tuple[Task, ...]:
    return Job(facts=facts, outlines=outlines(book)).work(frozenset(chosen)).tasks


def risk(facts: JobFacts, name: str, *chosen: OptionId, condition: JobCondition | None = None) -> Risk:
    job = Job(facts=facts, condition=condition or JobCondition())
    walked = [each for task in job.work(frozenset(chosen)).tasks for each, _ in task.walk()]
    return next(each for each in walked if each.id == name)


def outcomes(distribution: MinuteDistribution) -> Iterator[tuple[int, float]]:
    return zip(distribution.values.tolist(), distribution.mass.tolist(), strict=True)


def played_out(chain: Risk) -> dict[int, float]:
    """Minutes of a contingency and all that may follow, every course of events added up."""
    counted: dict[int, float] = defaultdict(float)
    counted[0] += 1 - chain.chance
    follows = [played_out(each).items() for each in chain.follow]
    for extra, *rest in product(outcomes(chain.extra), *follows):
        mass = chain.chance * extra[1]
        for _, chance in rest:
            mass *= chance
        counted[extra[0] + sum(minutes for minutes, _ in rest)] += mass
    return counted


@given(random_book())
def test_every_operation_comes_after_all_it_comes_after(book: LabourBook) -> None:
    order = list(bench_order(book))
    assert sorted(order) == sorted(book.operations)
    for name, row in book.operations.items():
        assert all(order.index(before) < order.index(name) for before in row.after)


def test_without_need_the_order_of_the_book_stands() -> None:
    names = ["d", "b", "c", "a"]
    assert list(bench_order(LabourBook(operations={name: operation() for name in names}))) == names
    assert list(bench_order(DEFAULT_BOOK)) == list(DEFAULT_BOOK.operations)


def test_only_what_has_to_wait_waits() -> None:
    rows = {"a": operation(after=("c",)), "b": operation(), "c": operation(), "d": operation()}
    assert list(bench_order(LabourBook(operations=rows))) == ["b", "c", "a", "d"]


def test_an_operation_that_is_not_done_still_holds_those_around_it_apart() -> None:
    """Fit comes after face, face after gauge: without facing, fitting still comes after gauging."""
    rows = {
        "fit": operation(after=("face",)),
        "face": structs.replace(operation(after=("gauge",)), option="face_shell"),
        "gauge": operation(),
    }
    assert [task.id for task in work(LabourBook(operations=rows))] == ["gauge", "fit"]


def test_an_option_is_done_only_where_it_is_chosen_and_offered() -> None:
    def ids(facts: JobFacts, *chosen: OptionId) -> set[str]:
        return {task.id for task in work(DEFAULT_BOOK, facts, *chosen)}

    assert "new_chain" not in ids(FITTING)
    assert "new_chain" in ids(FITTING, "new_chain")
    assert "new_chain" not in ids(JobFacts(), "new_chain")


def test_two_lengths_ordered_are_tried_without_being_asked_for() -> None:
    assert with_ordered(JobFacts(lengths_ordered=2), ()) == {"second_spindle"}
    assert with_ordered(JobFacts(), ("new_chain",)) == {"new_chain"}


def test_a_chain_of_contingencies_is_every_course_of_events_added_up() -> None:
    chain = risk(FITTING, "cotter_stuck", condition=JobCondition(cotter_nuts="seized"))
    assert [each.id for each in chain.follow] == ["cotter_drilled"]
    assert dict(outcomes(chain.minutes)) == pytest.approx(
        {minute: played_out(chain).get(minute, 0.0) for minute, _ in outcomes(chain.minutes)}, abs=1e-12
    )


def test_drilling_is_reached_as_often_as_a_cotter_is_stuck() -> None:
    (_, start), (drilled, reach) = risk(FITTING, "cotter_stuck").walk()
    assert (start, drilled.id, reach) == (1, "cotter_drilled", 0.2)


def test_chances_follow_what_was_seen() -> None:
    """0.2 is odds of 1 to 4; seized nuts times 6: 6 to 4."""
    assert risk(FITTING, "cotter_stuck").chance == 0.2
    seized = risk(FITTING, "cotter_stuck", condition=JobCondition(cotter_nuts="seized"))
    assert seized.chance == 0.6
    assert [item.factor for item in seized.factors] == ["cotter_nuts_seized"]


@pytest.mark.parametrize(
    ("facts", "chosen", "exchange"),
    [
        (JobFacts(ordering_allowed=True), (), 0.25),
        (JobFacts(ordering_allowed=True, miss_first=0.4), (), 0.4),
        (JobFacts(ordering_allowed=True, miss_first=0.4, miss_all=0.1), (), 0.4),
        (JobFacts(ordering_allowed=True, miss_first=0.4, miss_all=0.1), ("second_spindle",), 0.1),
        (JobFacts(ordering_allowed=True, miss_first=0.1, miss_all=0.4), ("second_spindle",), 0.1),
        (JobFacts(ordering_allowed=True, miss_first=0), (), 0),
    ],
)
def test_an_exchange_is_as_likely_as_no_ordered_length_fits(
    facts: JobFacts, chosen: tuple[OptionId, ...], exchange: float
) -> None:
    found = risk(facts, "first_length_misses", *chosen, condition=JobCondition(rust="heavy"))
    assert found.chance == exchange
    assert found.predicted == (facts != JobFacts(ordering_allowed=True))


def test_what_was_seen_does_not_change_what_is_predicted() -> None:
    row = structs.replace(contingency("fit", 0.5), chance_from="spindle", odds={"rust_heavy": 9.0})
    book = LabourBook(operations={"fit": operation()}, contingencies={"miss": row})
    facts, rusty = structs.replace(FITTING, miss_first=0.4), JobCondition(rust="heavy")
    (fit,) = Job(facts=facts, outlines=outlines(book), condition=rusty).work(frozenset()).tasks
    assert [(each.chance, each.factors) for each in fit.risks] == [(0.4, ())]
    (fit,) = Job(facts=FITTING, outlines=outlines(book), condition=rusty).work(frozenset()).tasks
    assert [(each.chance, len(each.factors)) for each in fit.risks] == [(0.9, 1)]


def test_the_second_length_is_fitted_as_often_as_it_catches_a_miss() -> None:
    facts = JobFacts(ordering_allowed=True, miss_first=0.4, miss_all=0.1, lengths_ordered=2)
    assert risk(facts, "second_length_fits", "second_spindle").chance == pytest.approx(0.3)


def test_learned_times_change_the_operation_and_not_what_goes_wrong() -> None:
    times = [LabourTime(operation="remove_cotter", minutes=14.0)] * 200
    job = Job(facts=FITTING, outlines=outlines(times=times))
    slow = next(task for task in job.work(frozenset()).tasks if task.id == "remove_cotter")
    assert slow.minutes.likely == pytest.approx(12, rel=0.02)
    assert slow.risks == risk_rows(FITTING)


def risk_rows(facts: JobFacts) -> tuple[Risk, ...]:
    return next(task for task in work(DEFAULT_BOOK, facts) if task.id == "remove_cotter").risks


def test_every_chance_is_recorded_with_its_formula() -> None:
    trace = Trace()
    facts = structs.replace(FITTING, miss_first=0.4, miss_all=0.1, lengths_ordered=2)
    condition = JobCondition(rust="heavy", years_since_service=30, cotter_nuts="seized", cup_metal="alloy")
    found = Job(facts=facts, condition=condition).work(with_ordered(facts, ())).tasks
    note_chances(found, facts, trace, two=True)
    steps = check_steps(trace.steps)
    assert len(steps) == sum(1 for task in found for _ in task.walk())


def loaded(book: LabourBook) -> Workload:
    return workload_of(work(book))


@given(random_book())
def test_mean_and_variance_of_the_parts_add_up_to_those_of_the_whole(book: LabourBook) -> None:
    load, done = loaded(book), work(book)
    assert load.minutes.mean == pytest.approx(sum(mean for task in done for mean in task.means), abs=1e-6)
    assert load.minutes.variance == pytest.approx(sum(item.variance for item in load.spreads), abs=1e-6)


@given(random_book())
def test_what_costs_more_than_time_stands_apart(book: LabourBook) -> None:
    load = loaded(book)
    assert {item.contingency for item in load.with_cost} == {
        name for name, row in book.contingencies.items() if row.cost == "exchange"
    }
    assert set(load.fixed) == {row.labour_class for row in book.operations.values()}


def test_a_cost_brings_the_minutes_of_what_may_follow_on_it() -> None:
    risks = {
        "miss": structs.replace(contingency("fit", 0.5, 10, 10, 10), cost="exchange"),
        "again": structs.replace(contingency("fit", 0.5, 4, 4, 4), after="miss"),
    }
    load = loaded(LabourBook(operations={"fit": operation(2, 2, 2)}, contingencies=risks))
    (cost,) = load.with_cost
    assert (cost.chance, cost.cost, cost.labour_class) == (0.5, "exchange", "bench")
    assert dict(outcomes(cost.minutes)) == pytest.approx({10: 0.5, 11: 0, 12: 0, 13: 0, 14: 0.5})
    assert dict(outcomes(load.fixed["bench"])) == {2: 1.0}
    assert {minute: mass for minute, mass in outcomes(load.minutes) if mass} == {2: 0.5, 12: 0.25, 16: 0.25}


def test_what_is_done_twice_goes_wrong_twice_over() -> None:
    """Two cotters, each stuck with 0.5 for ten minutes: none 0.25, one 0.5, both 0.25."""
    rows = {"press": structs.replace(operation(3, 3, 3), times=2)}
    load = loaded(LabourBook(operations=rows, contingencies={"stuck": contingency("press", 0.5, 10, 10, 10)}))
    assert {minute: mass for minute, mass in outcomes(load.minutes) if mass} == {6: 0.25, 16: 0.5, 26: 0.25}
    assert [item.variance for item in load.spreads] == [0, 50]
