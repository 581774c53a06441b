"""What a job is made of, and why."""

from typing import get_args

import msgspec
import pytest

from cotterline.bench.labour.book import OptionId, Trigger
from cotterline.bench.labour.facts import ASSUMPTIONS, BECAUSE, JobFacts, RemedyFact, option_words, triggers

CHASE = RemedyFact(route="chase_thread", name="Chase the shell's own thread", who="workshop")
KEEP = RemedyFact(route="keep_cups", name="Keep the cups", who="workshop")
BEVEL = RemedyFact(route="bevel_unit", name="Unit on two bevels", who="frame_builder")


@pytest.mark.parametrize(
    ("facts", "trigger"),
    [
        (JobFacts(), "always"),
        (JobFacts(), "crank_unknown"),
        (JobFacts(), "threaded_cups"),
        (JobFacts(), "order_withheld"),
        (JobFacts(old_crank="cottered"), "cottered"),
        (JobFacts(old_crank="square_taper"), "square_taper_old"),
        (JobFacts(old_crank="splined"), "splined_old"),
        (JobFacts(old_crank="one_piece"), "one_piece_old"),
        (JobFacts(threaded=False), "plain_shell"),
        (JobFacts(ordering_allowed=True), "unit_to_fit"),
        (JobFacts(ordering_allowed=True, lengths_ordered=2), "second_length"),
        (JobFacts(ordering_allowed=True, miss_all=0.1), "second_length"),
        (JobFacts(threads="worn"), "threads_worn"),
        (JobFacts(remedies=(CHASE,)), "threads_worn"),
        (JobFacts(ordering_allowed=True, rings=1), "rings_to_set_up"),
        (JobFacts(ordering_allowed=True, rings=2), "derailleur_present"),
        (JobFacts(ordering_allowed=True, front_derailleur=True), "derailleur_present"),
        (JobFacts(ordering_allowed=True, gears_beyond_limit=1), "chain_run_poor"),
        (JobFacts(ordering_allowed=True, chain_may_drop=True), "chain_run_poor"),
        (JobFacts(remedies=(KEEP,)), "remedy_in_workshop"),
        (JobFacts(remedies=(BEVEL,)), "remedy_at_frame_builder"),
    ],
)
def test_each_fact_brings_its_work(facts: JobFacts, trigger: Trigger) -> None:
    assert trigger in triggers(facts)
    assert BECAUSE[trigger].endswith(".")


@pytest.mark.parametrize(
    ("facts", "trigger"),
    [
        (JobFacts(old_crank="cottered"), "crank_unknown"),
        (JobFacts(threaded=False), "threaded_cups"),
        (JobFacts(threaded=True), "plain_shell"),
        (JobFacts(ordering_allowed=True), "order_withheld"),
        (JobFacts(ordering_allowed=True, miss_first=0.5), "second_length"),
        (JobFacts(threads="sound"), "threads_worn"),
        (JobFacts(threads="stripped"), "threads_worn"),
        (JobFacts(threads="stripped", remedies=(CHASE,)), "threads_worn"),
        (JobFacts(ordering_allowed=True), "rings_to_set_up"),
        (JobFacts(ordering_allowed=True, rings=1), "derailleur_present"),
        (JobFacts(ordering_allowed=True, rings=3, front_derailleur=False), "derailleur_present"),
        (JobFacts(ordering_allowed=True, rings=3), "chain_run_poor"),
        (JobFacts(remedies=(CHASE,)), "remedy_in_workshop"),
        (JobFacts(remedies=(BEVEL, KEEP)), "remedy_at_frame_builder"),
    ],
)
def test_no_work_comes_without_its_fact(facts: JobFacts, trigger: Trigger) -> None:
    assert trigger not in triggers(facts)


def test_nothing_is_fitted_while_the_order_is_withheld() -> None:
    facts = JobFacts(lengths_ordered=2, miss_first=0.5, rings=3, front_derailleur=True, gears_beyond_limit=4)
    fitting = {"unit_to_fit", "second_length", "rings_to_set_up", "derailleur_present", "chain_run_poor"}
    assert not fitting & triggers(facts)
    assert fitting <= triggers(msgspec.structs.replace(facts, ordering_allowed=True))


def test_every_trigger_can_hold_and_has_its_reason() -> None:
    jobs = [
        JobFacts(remedies=(KEEP,), threads="worn", threaded=False),
        JobFacts(remedies=(BEVEL,), old_crank="cottered"),
        JobFacts(ordering_allowed=True, lengths_ordered=2, rings=2, chain_may_drop=True, old_crank="square_taper"),
        JobFacts(old_crank="splined"),
        JobFacts(old_crank="one_piece"),
    ]
    assert frozenset().union(*map(triggers, jobs)) == set(get_args(Trigger)) == BECAUSE.keys()
    assert ASSUMPTIONS


@pytest.mark.parametrize("option", get_args(OptionId))
def test_every_option_has_a_name_and_a_reason_where_it_applies(option: OptionId) -> None:
    facts = JobFacts(ordering_allowed=True, lengths_ordered=2, rings=2, threads="worn", remedies=(KEEP,))
    name, why = option_words(option, facts)
    assert name
    assert why.endswith(".")


def test_a_chain_is_suggested_for_how_it_runs_before_anything_else() -> None:
    steep = option_words("new_chain", JobFacts(ordering_allowed=True, gears_beyond_limit=2))[1]
    plain = option_words("new_chain", JobFacts(ordering_allowed=True))[1]
    assert "angle" in steep
    assert "angle" not in plain


def test_a_remedy_names_the_routes_of_whoever_carries_it_out() -> None:
    assert option_words("remedy", JobFacts(remedies=(KEEP, BEVEL, CHASE)))[1].endswith("Keep the cups.")
    assert option_words("remedy", JobFacts(remedies=(BEVEL,)))[1].endswith("Unit on two bevels.")


def test_nothing_speaks_for_an_option_without_its_fact() -> None:
    assert option_words("chase_threads", JobFacts(threads="sound"))[1] == ""
