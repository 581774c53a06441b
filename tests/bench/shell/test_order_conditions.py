"""What an order needs: each condition fails alone, by the evidence that lacks it."""

import pytest
from hypothesis import given, settings

from cotterline.bench.derivation import Trace
from cotterline.bench.shell.evidence import CrestCount, Evidence, PitchGauge, ShellWidth, Stamp, kind
from cotterline.bench.shell.families import FAMILIES, Shell
from cotterline.bench.shell.likelihood import read_stamp
from cotterline.bench.shell.order_conditions import Condition
from cotterline.bench.shop import ShopSettings
from cotterline.bench.thread_verdicts import Verdict, verdict
from tests.bench.bikes import (
    bore,
    crank,
    crests,
    cup,
    fittings,
    flats,
    gauge,
    hand,
    inside,
    judged,
    origin,
    stamp,
    width,
)
from tests.bench.random_evidence import ANY_EVIDENCE, truthful

ORDERABLE = (gauge(24), hand("left"), cup(34.7), inside(33.8, "non_drive"), width(68.1, "caliper"))
"""Every condition met, with something to spare."""

STOCKED: dict[str, set[float]] = {
    "iso_english": {68, 73, 83, 100},
    "italian": {70},
    "french": {68},
    "swiss": {68},
    "t47": {68, 73, 77, 85.5, 86.5, 89.5, 92},
    "m48": {68, 100},
}
"""Workshop references: threads and widths units are made for."""


def _missing(*evidence: Evidence) -> set[Condition]:
    return {condition.condition for condition in judged(*evidence).order_conditions if not condition.met}


def _without(*kinds: str) -> tuple[Evidence, ...]:
    return tuple(item for item in ORDERABLE if kind(item) not in kinds)


def test_an_order_stands_when_every_condition_is_met() -> None:
    answer = judged(*ORDERABLE)
    assert answer.state == "fit_to_order"
    assert all(condition.met for condition in answer.order_conditions)
    assert answer.next_measurements == ()


@pytest.mark.parametrize(
    ("evidence", "condition"),
    [
        (_without("pitch_gauge"), "thread_observed"),
        ((*_without("pitch_gauge"), stamp("EXTRA")), "thread_observed"),
        ((gauge(24), width(68, "caliper")), "rivals_told_apart"),
        ((gauge(26), cup(34.7), inside(33.9), width(68, "caliper"), hand("left")), "rivals_told_apart"),
        (_without("shell_width"), "width_known"),
        ((stamp("35x1"), gauge(1, "mm"), hand("right"), cup(34.9), origin("FR", 1975, 1975)), "width_known"),
        ((*_without("shell_width"), width(69)), "width_known"),
        ((*ORDERABLE, stamp("36x24")), "nothing_contradicts"),
        ((gauge(24), hand("left"), cup(34.7), inside(34.95, "non_drive"), width(68)), "same_thread_both_sides"),
        ((gauge(26), hand("left"), fittings("both"), stamp("1 3/8 x 26"), width(71, "caliper")), "stock_unit_exists"),
        ((gauge(24), stamp("1.37x24"), hand("left"), cup(34.7), width(70, "caliper")), "stock_unit_exists"),
        ((bore("plain"), bore("plain", "non_drive"), inside(40.0), width(68)), "stock_unit_exists"),
        ((gauge(24, over=3), origin("NZ")), "probable_enough"),
    ],
)
def test_an_order_does_not_stand_without(evidence: tuple[Evidence, ...], condition: Condition) -> None:
    assert condition in _missing(*evidence)
    assert judged(*evidence).state != "fit_to_order"


@pytest.mark.parametrize("direct", [gauge(24), crests(10, 9.52), stamp("1.37x24")])
def test_a_gauge_a_count_or_a_known_stamp_names_the_thread(direct: Evidence) -> None:
    assert "thread_observed" not in _missing(*_without("pitch_gauge"), direct)


@pytest.mark.parametrize(
    "evidence",
    [
        (origin("GB", 1955, 1960), crank("cottered"), fittings("both"), width(71, "caliper"), flats(36)),
        (origin("IT", 1975, 1975), width(70, "caliper"), cup(35.9), hand("right"), cup(35.9, "non_drive")),
    ],
)
def test_background_width_and_diameters_never_allow_an_order_by_themselves(evidence: tuple[Evidence, ...]) -> None:
    assert "thread_observed" in _missing(*evidence)


def test_a_shop_can_ask_for_more_than_the_usual_probability() -> None:
    evidence = (gauge(24), hand("left"), cup(34.7), width(68.1, "caliper"), crank("cottered"))
    p = judged(*evidence).leading.probability
    for asked in (0.95, 0.9999):
        answer = verdict(evidence, ShopSettings(order_probability=asked), Trace())
        met = next(c for c in answer.order_conditions if c.condition == "probable_enough").met
        assert met is (p >= asked)


def test_the_rivals_not_told_apart_are_named() -> None:
    condition = next(c for c in judged(gauge(26, over=9)).order_conditions if c.condition == "rivals_told_apart")
    assert isinstance(condition.rivals, tuple)
    assert {"french", "swiss", "whitworth_26"} <= set(condition.rivals)
    assert FAMILIES[condition.rivals[0]].name in condition.words


def _allows(answer: Verdict, evidence: tuple[Evidence, ...]) -> None:
    """What every order rests on, seen from the outside."""
    leading = answer.leading
    assert leading.drive == leading.non_drive
    assert answer.shell_width.nominal.value in STOCKED[leading.drive]
    assert answer.shell_width.measured
    assert answer.contradictions == ()
    assert leading.probability >= 0.98
    assert any(isinstance(item, ShellWidth) for item in evidence)
    assert any(
        isinstance(item, PitchGauge | CrestCount) or (isinstance(item, Stamp) and read_stamp(item.text))
        for item in evidence
    )


@given(ANY_EVIDENCE)
@settings(deadline=None, max_examples=150)
def test_no_random_evidence_is_fit_to_order_without_all_an_order_needs(evidence: tuple[Evidence, ...]) -> None:
    answer = judged(*evidence)
    if answer.state == "fit_to_order":
        _allows(answer, evidence)
    assert (answer.state == "fit_to_order") is all(condition.met for condition in answer.order_conditions)


@given(truthful())
@settings(deadline=None, max_examples=250)
def test_true_readings_never_make_a_wrong_shell_fit_to_order(case: tuple[Shell, tuple[Evidence, ...]]) -> None:
    shell, evidence = case
    answer = judged(*evidence)
    if answer.state == "fit_to_order":
        _allows(answer, evidence)
        assert answer.leading.drive == shell.drive.id
        assert answer.shell_width.nominal.value == shell.width
