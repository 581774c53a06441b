"""What a wrong order would cost at the bench."""

import math

import pytest

from cotterline.bench.derivation import Trace
from cotterline.bench.shell.families import FAMILIES, FamilyId
from cotterline.bench.shell.wrong_order import WrongOrder, wrong_order
from tests.bench.bikes import COTTERED, judged
from tests.bench.formulas import check_steps


def _met(ordered: FamilyId, actual: FamilyId, trace: Trace | None = None) -> WrongOrder:
    return wrong_order(FAMILIES[ordered], FAMILIES[actual], 0.01, trace or Trace(wanted=False))


@pytest.mark.parametrize(
    ("ordered", "actual", "turns"),
    [
        # thread geometry: a quarter of a pitch of drift, 0.25 / |1 - ordered pitch / actual pitch|
        ("iso_english", "british_26", 0.25 / (26 / 24 - 1)),
        ("iso_english", "french", 0.25 / (25.4 / 24 - 1)),
        ("french", "british_26", 0.25 / (26 / 25.4 - 1)),
    ],
)
def test_a_near_pitch_starts_by_hand_and_goes_tight_after_a_few_turns(
    ordered: FamilyId, actual: FamilyId, turns: float
) -> None:
    trace = Trace()
    found = _met(ordered, actual, trace)
    assert found.harm == "frame"
    assert isinstance(found.turns_until_tight, float)
    assert found.turns_until_tight == pytest.approx(turns, abs=0.051)
    assert f"about {turns:.0f} turns" in found.words
    assert len(check_steps(trace.steps)) == 1


def test_iso_in_a_26_tpi_shell_goes_tight_after_three_turns_french_in_it_only_after_ten() -> None:
    """Common practice, no source: the nearer the pitches, the later the warning."""
    near, far = _met("iso_english", "british_26"), _met("french", "british_26")
    assert near.turns_until_tight == 3.0
    assert isinstance(far.turns_until_tight, float)
    assert 10 < far.turns_until_tight < 11


def test_an_italian_cup_does_not_start_in_a_smaller_shell_and_a_smaller_cup_wobbles_in_an_italian_one() -> None:
    large, small = _met("italian", "iso_english"), _met("iso_english", "italian")
    assert "1.2 mm too large" in large.words
    assert "1.2 mm too small" in small.words
    assert large.harm == small.harm == "frame"


def test_french_and_swiss_differ_by_the_hand_alone_and_the_unit_goes_back_unharmed() -> None:
    found = _met("french", "swiss")
    assert found.harm == "order"
    assert "runs the other way" in found.words
    assert "Do not force it" in found.words


def test_where_hand_and_pitch_differ_both_are_said() -> None:
    found = _met("french", "iso_english")
    assert "runs the other way" in found.words
    assert "goes tight" in found.words


def test_the_same_size_in_another_form_is_not_to_be_forced() -> None:
    found = _met("british_26", "whitworth_26")
    assert found.harm == "frame"
    assert "form differs" in found.words


@pytest.mark.parametrize("actual", ["thompson_40", "one_piece_51"])
def test_a_threaded_unit_finds_nothing_to_hold_in_a_plain_shell(actual: FamilyId) -> None:
    found = _met("iso_english", actual)
    assert found.harm == "order"
    assert "no thread" in found.words


def test_a_unit_for_a_plain_bore_does_not_go_into_a_thread() -> None:
    assert _met("thompson_40", "iso_english").harm == "order"


def test_every_pair_of_families_is_told_in_finite_numbers() -> None:
    for ordered in FAMILIES:
        for actual in FAMILIES:
            if ordered != actual:
                found = _met(ordered, actual)
                assert found.words.endswith(".")
                turns = found.turns_until_tight
                assert not isinstance(turns, float) or 0 < turns < math.inf


def test_a_verdict_tells_of_its_rivals_the_likeliest_first() -> None:
    answer = judged(*COTTERED)
    odds = [row.probability for row in answer.wrong_orders]
    assert odds == sorted(odds, reverse=True)
    assert answer.leading.drive not in {row.if_the_shell_is for row in answer.wrong_orders}
    both = {row.family: row.both for row in answer.families}
    assert all(row.probability == both[row.if_the_shell_is] for row in answer.wrong_orders)
