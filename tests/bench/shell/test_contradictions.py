"""Readings that cannot all be right are said, not averaged away."""

import math

import pytest
from hypothesis import given, settings

from cotterline.bench.shell.contradictions import contradictions
from cotterline.bench.shell.evidence import BACKGROUND, Evidence
from cotterline.bench.shell.families import SHELLS
from cotterline.bench.shell.likelihood import likelihoods
from cotterline.bench.shell.posterior import DECIBANS, DECISIVE, posterior
from tests.bench.bikes import COTTERED, RAISED, bore, cup, gauge, hand, inside, judged, stamp, width
from tests.bench.random_evidence import ANY_EVIDENCE


@pytest.mark.parametrize("evidence", [COTTERED, RAISED, (hand("left"),), (gauge(24), hand("left"), stamp("1.37x24"))])
def test_evidence_that_agrees_contradicts_nothing(evidence: tuple[Evidence, ...]) -> None:
    assert contradictions(posterior(evidence)) == ()


@pytest.mark.parametrize(
    "evidence",
    [
        (gauge(24, over=12), hand("left"), width(76, "caliper")),
        (gauge(24), stamp("1.37x24"), width(71, "caliper")),
        (stamp("1.37x24"), gauge(26), width(68, "caliper"), hand("left")),
        (stamp("36x24"), gauge(26, over=12), width(71, "caliper"), hand("left")),
        (gauge(24), gauge(26), hand("left"), width(68, "caliper")),
        (gauge(24, over=12), gauge(1, "mm", over=12), hand("left"), width(68, "caliper")),
        (hand("left"), hand("right"), gauge(24), width(68, "caliper")),
        (cup(34.7), cup(35.9), gauge(24), hand("left")),
        (inside(33.8), inside(34.95), gauge(24), hand("left")),
        (width(68, "caliper"), width(73, "caliper"), gauge(24), hand("left")),
        (stamp("36x24"), cup(34.7), gauge(24), hand("left")),
        (bore("plain"), gauge(24), hand("left"), cup(34.7)),
    ],
)
def test_evidence_that_cannot_all_be_right_is_contradictory(evidence: tuple[Evidence, ...]) -> None:
    """Facts of the trade: each pair names two threads, two widths or two hands of one side."""
    answer = judged(*evidence)
    assert answer.state == "contradictory"
    assert answer.contradictions
    assert not next(c for c in answer.order_conditions if c.condition == "nothing_contradicts").met


def test_24_tpi_with_a_76_mm_shell_is_said_in_words() -> None:
    found = judged(gauge(24, over=12), hand("left"), width(76, "caliper")).contradictions
    assert [(row.item, row.against, row.fits) for row in found] == [(2, "iso_english", "british_26")]
    assert "The shell width fits British 26 tpi 76 mm" in found[0].words
    assert "ISO/English 68 mm" in found[0].words
    assert "take it again" in found[0].words


def test_a_single_reading_stands_against_no_other_evidence() -> None:
    found = contradictions(posterior([width(66.25, "caliper")]))
    assert all("the rest of the evidence" not in row.words for row in found)


def test_a_leaf_no_bottom_bracket_has_fits_nothing() -> None:
    found = judged(gauge(48), hand("left"), width(68)).contradictions
    assert [row.item for row in found] == [0]
    assert "fits no shell the trade knows" in found[0].words


def test_a_side_cut_over_is_a_mixture_and_no_contradiction() -> None:
    answer = judged(cup(34.7), hand("left"), gauge(24), cup(35.9, "non_drive"), inside(34.95, "non_drive"))
    assert answer.contradictions == ()
    assert answer.state != "fit_to_order"


@given(ANY_EVIDENCE)
@settings(deadline=None)
def test_what_contradicts_fits_another_shell_twenty_times_better_or_none_at_all(
    evidence: tuple[Evidence, ...],
) -> None:
    known = posterior(evidence)
    at = SHELLS.index(known.leader)
    found = {row.item: row for row in contradictions(known)}
    for index, item in enumerate(evidence):
        chances = likelihoods(item)
        best = max(chances, key=lambda chance: chance.total)
        better = DECIBANS * math.log(best.total / chances[at].total)
        expected = not isinstance(item, BACKGROUND) and (best.slip > best.proper or better >= DECISIVE)
        assert (index in found) is expected
        if index in found and isinstance(found[index].decibans, float):
            assert found[index].decibans == pytest.approx(better, abs=0.051)
