"""How much each item weighed, against a second computation, and what is noted beside it."""

import math

import numpy as np
import pytest
from hypothesis import given, settings

from cotterline.bench.shell.evidence import Evidence
from tests.bench import brute_force
from tests.bench.bikes import COTTERED, RAISED, crank, cup, gauge, hand, inside, judged, origin, stamp, width
from tests.bench.random_evidence import ANY_EVIDENCE


def _log10_odds(evidence: tuple[Evidence, ...], drive: str, other: str) -> float:
    p = brute_force.posterior(brute_force.wire(evidence))
    wanted = np.array([shell.drive == drive and shell.non_drive == other for shell in brute_force.SHELLS])
    return math.log10(p[wanted].sum() / p[~wanted].sum())


@given(ANY_EVIDENCE)
@settings(deadline=None, max_examples=60)
def test_a_weight_is_what_the_odds_lose_without_the_item(evidence: tuple[Evidence, ...]) -> None:
    """I. J. Good, 1950: decibans."""
    answer = judged(*evidence)
    whole = _log10_odds(evidence, answer.leading.drive, answer.leading.non_drive)
    assert [row.item for row in answer.weights] == list(range(len(evidence)))
    for index, row in enumerate(answer.weights):
        rest = _log10_odds(evidence[:index] + evidence[index + 1 :], answer.leading.drive, answer.leading.non_drive)
        assert row.decibans == pytest.approx(10 * (whole - rest), abs=0.0501)


@pytest.mark.parametrize(
    ("item", "families"),
    [
        (gauge(24), {"iso_english", "italian"}),
        (hand("right"), {"italian", "french"}),
        (stamp("35x1"), {"french", "swiss"}),
        (cup(35.9), {"italian"}),
        (width(83, "caliper"), {"iso_english"}),
        (stamp("EXTRA"), set()),
        (origin("GB"), set()),
        (crank("cottered"), set()),
    ],
)
def test_an_item_speaks_for_the_families_it_fits_best(item: Evidence, families: set[str]) -> None:
    assert set(judged(item).weights[0].speaks_for) == families


def test_an_item_that_says_nothing_weighs_nothing() -> None:
    row = judged(*COTTERED, stamp("EXTRA")).weights[-1]
    assert row.decibans == 0.0
    assert row.speaks_for == ()


def test_evidence_against_the_leader_weighs_below_nought() -> None:
    answer = judged(*COTTERED, origin("CH", 1970, 1975))
    assert answer.leading.drive == "iso_english"
    assert answer.weights[-1].decibans < -3


@pytest.mark.parametrize(
    ("evidence", "words"),
    [
        ((stamp("EXTRA"),), "It is not known what the stamp on the drive side stands for"),
        ((gauge(24), stamp("35x1")), "Of the stamp on the drive side: It says nothing of the hand"),
        ((stamp("M35x24"),), "not a 35 mm x 1 mm thread"),
        ((origin("NZ"),), "No rule knows the country NZ"),
        ((origin("GB"),), "caution whenever origin points there"),
        (COTTERED, "Only one side was looked at"),
        ((cup(35.9, "non_drive"),), "Only one side was looked at"),
    ],
)
def test_what_a_mechanic_should_know_is_noted(evidence: tuple[Evidence, ...], words: str) -> None:
    assert any(words in note for note in judged(*evidence).notes)


def test_nothing_is_noted_of_a_shell_read_on_both_sides() -> None:
    assert judged(gauge(24), inside(33.8, "non_drive"), stamp("1.37x24")).notes == ()


def test_raised_fittings_and_width_carry_the_26_tpi_bicycle() -> None:
    weights = {row.kind: row.decibans for row in judged(*RAISED).weights}
    assert max(weights, key=weights.__getitem__) == "shell_width"
    assert weights["cup_fittings"] > 0
