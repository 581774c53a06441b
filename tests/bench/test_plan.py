"""The plan of a job: steps in order, minutes as a range, drivers, decisions, options."""

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs

from cotterline.bench.derivation import Trace
from cotterline.bench.errors import CotterlineError
from cotterline.bench.labour.book import DEFAULT_BOOK, INVENTED, Contingency, LabourBook, OptionId
from cotterline.bench.labour.condition import JobCondition
from cotterline.bench.labour.facts import JobFacts, RemedyFact
from cotterline.bench.labour.learning import LabourTime
from cotterline.bench.labour.work import Job
from cotterline.bench.plan import JobOption, Plan, PlanStep, options_of, plan, with_and_without, workload
from tests.bench.formulas import check_steps
from tests.bench.labour.books import lasting, operation, outlines, random_book, random_contingency, random_facts

FITTING = JobFacts(ordering_allowed=True, old_crank="cottered", threaded=True, miss_first=0.3, miss_all=0.1, rings=2)
CLEAN = JobCondition(rust="none", years_since_service=1, cotter_nuts="free", cup_metal="steel")
SEIZED = JobCondition(rust="heavy", years_since_service=30, cotter_nuts="seized", cup_metal="steel")
TRIAL: tuple[OptionId, ...] = ("new_chain", "derailleur_set_up", "four_position_trial", "face_shell", "second_spindle")


def planned(facts: JobFacts = FITTING, *wanted: OptionId, condition: JobCondition | None = None) -> Plan:
    return plan(Job(facts=facts, condition=condition or JobCondition()), wanted, Trace())


def operations(found: Plan) -> list[str]:
    return [step.operation for step in found.steps]


def step(found: Plan, name: str) -> PlanStep:
    return next(item for item in found.steps if item.operation == name)


def option(found: Plan, name: OptionId) -> JobOption:
    return next(item for item in found.options if item.option == name)


def owned(book: LabourBook) -> Job:
    return Job(facts=FITTING, outlines=outlines(book))


def test_a_cottered_bike_is_taken_apart_measured_and_built_up_in_order() -> None:
    """Common practice, no source."""
    assert operations(planned()) == [
        "intake_and_measuring", "remove_pedals", "remove_cotter", "remove_arms", "lockring_and_adjustable_cup",
        "fixed_cup", "clean_shell", "gauge_and_measure", "fit_unit", "test_fit_drive_arm", "fit_arms", "fit_pedals",
        "ring_set_up", "chain_check", "test_ride", "re_check_visit",
    ]  # fmt: skip
    assert [item.number for item in planned().steps] == list(range(1, 17))


def test_an_undecided_bike_is_still_taken_in_dismantled_and_measured_and_no_further() -> None:
    found = operations(planned(JobFacts(old_crank="cottered")))
    assert found[0] == "intake_and_measuring"
    assert {"remove_cotter", "fixed_cup", "gauge_and_measure"} <= set(found)
    assert found[-1] == "report_findings"
    assert not {"fit_unit", "fit_arms", "test_ride"} & set(found)


def test_a_plain_shell_has_no_cups_to_unscrew() -> None:
    found = operations(planned(JobFacts(threaded=False, old_crank="one_piece")))
    assert "take_out_plain_bracket" in found
    assert not {"fixed_cup", "lockring_and_adjustable_cup", "clean_shell"} & set(found)


def test_tools_torque_and_cautions_stand_at_the_step_where_they_matter() -> None:
    found = planned()
    arms, pins = step(found, "fit_arms"), step(found, "remove_cotter")
    (torque,) = arms.torques
    assert (torque.subject, torque.lowest, torque.highest) == ("crank_bolt", 34, 44)
    assert {caution.code for caution in arms.cautions} == {"follow-part", "loose-arm"}
    assert {caution.code for caution in pins.cautions} == {"driving-pins", "fluids-and-heat"}
    assert "Cotter press" in pins.tools
    assert pins.torques == ()
    assert pins.times == 2


def test_each_step_says_why_it_belongs_to_the_job() -> None:
    assert step(planned(), "remove_cotter").why == "The old arms are held by cotters."
    assert all(item.why for item in planned().steps)


def test_seized_cotters_give_a_clearly_wider_range_than_a_clean_bike() -> None:
    clean, seized = planned(condition=CLEAN).minutes, planned(condition=SEIZED).minutes
    assert seized.p90 - seized.p10 > 1.5 * (clean.p90 - clean.p10)
    assert seized.expected > clean.expected


def test_seized_cotters_drive_the_spread_and_are_asked_about() -> None:
    found = planned(condition=SEIZED)
    assert found.drivers[0].id == "cotter_drilled"
    point = found.decision_points[0]
    assert (point.contingency, point.step) == ("cotter_drilled", step(found, "remove_cotter").number)
    assert point.question == DEFAULT_BOOK.contingencies["cotter_drilled"].question
    stuck, drilled = step(found, "remove_cotter").contingencies
    assert (drilled.after, drilled.ask) == ("cotter_stuck", True)
    assert point.chance == pytest.approx(1 - (1 - stuck.chance * drilled.chance) ** 2, abs=1e-6)
    assert 15 <= point.extra_p50 < point.extra_p90 <= 60


def test_what_cannot_happen_is_no_decision() -> None:
    sure = structs.replace(FITTING, miss_first=0.0)
    assert "first_length_misses" in {point.contingency for point in planned().decision_points}
    assert "first_length_misses" not in {point.contingency for point in planned(sure).decision_points}


def test_a_contingency_shows_what_was_observed_and_what_the_book_says() -> None:
    stuck = step(planned(condition=JobCondition(rust="heavy")), "remove_cotter").contingencies[0]
    assert (stuck.book_chance, stuck.chance, stuck.grade) == (0.2, 0.5, "invented")
    assert [(item.factor, item.odds) for item in stuck.factors] == [("rust_heavy", 4)]


def test_the_chance_of_an_exchange_is_the_predicted_one() -> None:
    miss = step(planned(), "test_fit_drive_arm").contingencies[0]
    assert (miss.chance, miss.grade, miss.cost) == (0.3, "predicted", "exchange")


def test_steps_and_what_may_go_wrong_add_up_to_the_expected_minutes() -> None:
    found = planned(FITTING, *TRIAL, condition=SEIZED)
    parts = [item.expected for item in found.steps]
    parts += [risk.expected_extra for item in found.steps for risk in item.contingencies]
    assert found.minutes.expected == pytest.approx(sum(parts), abs=0.02)


@given(random_book())
def test_expectation_and_spread_stated_are_those_of_the_distribution(book: LabourBook) -> None:
    stated, whole = plan(owned(book), (), Trace()).minutes, workload(owned(book), ()).minutes
    assert stated.expected == pytest.approx(whole.mean, abs=1e-3)
    assert stated.sd == pytest.approx(whole.sd, abs=2e-3)
    assert (stated.p10, stated.p50, stated.p90) == tuple(whole.quantile(share) for share in (0.1, 0.5, 0.9))


@given(random_facts(), st.sampled_from((CLEAN, SEIZED)))
def test_quantiles_are_ordered_and_shares_add_up_for_every_job(facts: JobFacts, condition: JobCondition) -> None:
    found = planned(facts, condition=condition)
    assert found.minutes.p10 <= found.minutes.p50 <= found.minutes.p90
    assert sum(driver.share for driver in found.drivers) == pytest.approx(1, abs=1e-4)
    assert [d.share for d in found.drivers] == sorted((d.share for d in found.drivers), reverse=True)
    place = {item.operation: item.number for item in found.steps}
    for item in found.steps:
        before = DEFAULT_BOOK.operations[item.operation].after
        assert all(place[name] < item.number for name in before if name in place)


@given(st.data())
def test_another_contingency_never_lowers_the_nine_tenths_quantile(data: st.DataObject) -> None:
    book = data.draw(random_book())
    extra: Contingency = data.draw(random_contingency(data.draw(st.sampled_from(sorted(book.operations)))))
    more = structs.replace(book, contingencies=book.contingencies | {"another": extra})
    before, after = (plan(owned(each), (), Trace()).minutes for each in (book, more))
    assert (after.p10, after.p50, after.p90) >= (before.p10, before.p50, before.p90)
    assert after.p90 >= before.p90
    assert after.p50 >= before.p50


@given(random_book(), st.floats(0, 60))
def test_a_book_without_spread_or_risk_is_certain(book: LabourBook, minutes: float) -> None:
    flat = {
        name: structs.replace(row, minutes=lasting(*[float(round(minutes))] * 3))
        for name, row in book.operations.items()
    }
    found = plan(owned(LabourBook(operations=flat)), (), Trace())
    assert found.minutes.p10 == found.minutes.p90 == round(minutes) * len(flat) == found.minutes.expected
    assert found.drivers == ()


def test_every_recorded_formula_gives_its_value() -> None:
    trace = Trace()
    plan(Job(facts=FITTING, condition=SEIZED), TRIAL, trace)
    names = [item.name for item in check_steps(trace.steps)]
    assert "expected minutes of the whole" in names
    assert "standard deviation of the whole" in names


def test_an_option_that_was_not_offered_is_refused_where_it_stands() -> None:
    with pytest.raises(CotterlineError) as refused:
        plan(Job(facts=JobFacts()), ("new_chain", "face_shell"), Trace())
    assert [fault.pointer for fault in refused.value.faults] == ["/options/0", "/options/1"]


def test_only_the_options_of_the_job_are_offered() -> None:
    assert options_of(Job(facts=FITTING)) == TRIAL
    assert options_of(Job(facts=JobFacts())) == ()
    assert options_of(Job(facts=JobFacts(threads="worn"))) == ("chase_threads",)
    keep = RemedyFact(route="keep_cups", name="Keep the cups", who="workshop")
    assert options_of(Job(facts=JobFacts(remedies=(keep,)))) == ("remedy",)


def test_an_option_says_what_it_adds_whether_it_is_in_or_not() -> None:
    out, in_it = planned(), planned(FITTING, "new_chain")
    chain = DEFAULT_BOOK.operations["new_chain"].minutes.mean
    assert in_it.minutes.expected - out.minutes.expected == pytest.approx(chain, abs=0.002)
    for found, included in ((out, False), (in_it, True)):
        offered = option(found, "new_chain")
        assert (offered.included, offered.operations) == (included, ("new_chain",))
        assert offered.expected == pytest.approx(chain, abs=0.002)
        assert offered.change_p90 > 0


def test_a_second_length_saves_exchanges() -> None:
    """3 in 10 miss with one length, 1 in 10 with both; the trial and the second fitting cost time on the bench."""
    job = Job(facts=FITTING)
    with_it, without = with_and_without("second_spindle", job, ())
    assert [cost.chance for load in (with_it, without) for cost in load.with_cost] == [0.1, 0.3]
    trial = DEFAULT_BOOK.operations["second_length_trial"].minutes.mean
    swap = DEFAULT_BOOK.contingencies["second_length_fits"].extra.mean
    exchange = DEFAULT_BOOK.contingencies["first_length_misses"].extra.mean
    assert option(planned(), "second_spindle").expected == pytest.approx(trial + 0.2 * swap - 0.2 * exchange, abs=2e-3)


def test_two_lengths_already_ordered_are_compared_with_ordering_one() -> None:
    both = structs.replace(FITTING, lengths_ordered=2)
    found = planned(both)
    assert "second_length_trial" in operations(found)
    assert option(found, "second_spindle").included
    assert option(found, "second_spindle").expected == option(planned(), "second_spindle").expected


def test_the_shipped_figures_are_called_invented() -> None:
    found = planned()
    assert INVENTED in found.assumptions
    assert {item.grade for item in found.steps} == {"invented"}


def test_a_book_of_the_shops_own_is_not_called_invented() -> None:
    found = plan(owned(LabourBook(operations={"wash": operation()})), (), Trace())
    assert INVENTED not in found.assumptions
    assert {item.grade for item in found.steps} == {"shop"}


def test_learned_times_move_the_plan_and_are_called_learned() -> None:
    times = [LabourTime(operation="fit_unit", minutes=30.0)] * 100
    slow = plan(Job(facts=FITTING, outlines=outlines(times=times)), (), Trace())
    fitted = step(slow, "fit_unit")
    assert fitted.grade == "learned"
    assert fitted.expected == pytest.approx(30, abs=0.5)
    assert slow.minutes.p50 > planned().minutes.p50 + 10


def test_a_plan_goes_out_as_json_and_comes_back() -> None:
    found = planned(FITTING, *TRIAL, condition=SEIZED)
    assert msgspec.json.decode(msgspec.json.encode(found), type=Plan) == found
