"""Derivations: what is recorded, and that every recorded formula gives its value."""

import msgspec
import pytest
from hypothesis import given, settings

from cotterline.bench.derivation import Step, Trace
from cotterline.bench.shell.evidence import Evidence
from cotterline.bench.shell.posterior import posterior
from cotterline.bench.shell.remedies import ShellCondition, remedies
from cotterline.bench.shop import ShopSettings
from cotterline.bench.thread_verdicts import verdict
from tests.bench.bikes import COTTERED, RAISED, inside, mm
from tests.bench.formulas import check_steps
from tests.bench.random_evidence import ANY_EVIDENCE


def test_a_step_is_recorded_to_nine_decimals_and_its_value_handed_on_whole() -> None:
    trace = Trace()
    value = trace.note("third", "a / b", 1 / 3, "1", "arithmetic", a=1.0, b=3.00000000001)
    assert value == 1 / 3
    assert trace.steps == [Step("third", "a / b", {"a": 1.0, "b": 3.0}, 0.333333333, "1", "arithmetic")]


def test_nothing_is_recorded_where_nobody_wants_it() -> None:
    trace = Trace(wanted=False)
    assert trace.note("sum", "a + b", 3.0, "mm", "arithmetic", a=1.0, b=2.0) == 3.0
    assert trace.steps == []


@pytest.mark.parametrize("evidence", [COTTERED, RAISED])
def test_a_verdict_and_its_remedies_are_derived_by_formulas_that_give_their_values(
    evidence: tuple[Evidence, ...],
) -> None:
    trace = Trace()
    seen = (*evidence, inside(33.95))
    given_verdict = verdict(seen, ShopSettings(), trace)
    condition = ShellCondition(outside_diameter=mm(40.0), threads="worn", cups="sound")
    remedies(posterior(seen).leader, condition, seen, trace)
    names = [step.name for step in check_steps(trace.steps)]
    assert len([name for name in names if name.startswith("weight of item")]) == len(seen)
    assert any(name.startswith("turns until the cup goes tight") for name in names)
    assert any(name.startswith("wall left") for name in names)
    assert "race spacing wanted" in names
    assert given_verdict.derivation == tuple(trace.steps[: len(given_verdict.derivation or ())])


@settings(max_examples=40, deadline=None)
@given(ANY_EVIDENCE)
def test_every_formula_of_every_verdict_gives_its_value(evidence: tuple[Evidence, ...]) -> None:
    trace = Trace()
    verdict(evidence, ShopSettings(), trace)
    check_steps(trace.steps)


def test_a_verdict_nobody_wants_derived_carries_no_derivation() -> None:
    answer = verdict(COTTERED, ShopSettings(), Trace(wanted=False))
    assert answer.derivation is msgspec.UNSET
