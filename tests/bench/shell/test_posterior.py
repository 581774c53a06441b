"""Bayes' rule over whole shells: against brute force with numpy and scipy, and by its laws."""

import itertools
import math

import msgspec
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import special

from cotterline.bench.quantity import Reading, Side
from cotterline.bench.shell.evidence import Evidence, OldCrank, Origin, ShellWidth, kind, side
from cotterline.bench.shell.families import FAMILIES, SHELLS, FamilyId
from cotterline.bench.shell.likelihood import likelihoods, readable
from cotterline.bench.shell.posterior import DECIBANS, DECISIVE, Posterior, log_sum, posterior
from tests.bench import brute_force
from tests.bench.bikes import (
    COTTERED,
    RAISED,
    bore,
    crank,
    crests,
    cup,
    flats,
    gauge,
    hand,
    inside,
    judged,
    origin,
    stamp,
    width,
)
from tests.bench.random_evidence import ANY_EVIDENCE, OF_THE_SHELL, SHUFFLED, SIDES

BIKES: tuple[tuple[Evidence, ...], ...] = (
    COTTERED,
    RAISED,
    (gauge(24), width(70, "caliper"), hand("right"), origin("IT", 1978, 1984)),
    (stamp("35x1"), hand("left"), width(68, "caliper"), flats(35), origin("CH", 1970, 1980)),
    (cup(34.7), cup(35.9, "non_drive"), inside(34.95, "non_drive"), gauge(24), hand("left")),
    (bore("plain"), bore("plain", "non_drive"), inside(40.02), width(68), crank("cottered"), origin("DE", 1955, 1965)),
    (crests(10, 9.0, tool="ruler"), gauge(26), gauge(1, "mm"), gauge(24, side="non_drive"), width(71)),
    (stamp("M35x24"), stamp("EXTRA"), gauge(26), width(76, "caliper"), width(76), hand("left", "non_drive")),
    (cup(46.85), width(86.5, "caliper"), stamp("T47"), crank("splined"), origin("US", 2018, 2022)),
)


def _odds(known: Posterior, family: FamilyId, rival: FamilyId) -> float:
    """Natural log of the odds between two untouched families, whatever the width."""

    def log(wanted: FamilyId) -> float:
        here = [j for j, s in zip(known.log_joint[0], SHELLS, strict=True) if s.drive.id == s.non_drive.id == wanted]
        return float(special.logsumexp(here))

    return log(family) - log(rival)


@pytest.mark.parametrize("evidence", BIKES)
def test_the_whole_posterior_of_a_bike_is_that_of_brute_force(evidence: tuple[Evidence, ...]) -> None:
    expected = brute_force.posterior(brute_force.wire(evidence))
    np.testing.assert_allclose(posterior(evidence).probabilities, expected, rtol=0, atol=1e-9)


@given(ANY_EVIDENCE)
@settings(deadline=None)
def test_any_posterior_is_that_of_brute_force_and_sums_to_one(evidence: tuple[Evidence, ...]) -> None:
    known = posterior(evidence)
    np.testing.assert_allclose(
        known.probabilities, brute_force.posterior(brute_force.wire(evidence)), rtol=0, atol=1e-9
    )
    assert math.fsum(known.probabilities) == pytest.approx(1.0, abs=1e-12)
    assert math.fsum(known.pairs.values()) == pytest.approx(1.0, abs=1e-12)
    assert all(0.0 <= p <= 1.0 for p in known.probabilities)


@given(SHUFFLED)
@settings(deadline=None)
def test_the_order_of_the_evidence_does_not_matter(orders: tuple[tuple[Evidence, ...], list[Evidence]]) -> None:
    one, other = posterior(orders[0]), posterior(orders[1])
    np.testing.assert_array_equal(one.log_joint[0], other.log_joint[0])
    assert one.leader is other.leader


@given(ANY_EVIDENCE, OF_THE_SHELL, st.sampled_from(list(FAMILIES)), st.sampled_from(list(FAMILIES)))
@settings(deadline=None, max_examples=300)
def test_evidence_for_one_family_never_lowers_it_against_another(
    evidence: tuple[Evidence, ...], item: Evidence, family: FamilyId, rival: FamilyId
) -> None:
    assume((kind(item), side(item)) not in {(kind(known), side(known)) for known in evidence})
    chances = {
        wanted: [
            c.total for c, s in zip(likelihoods(item), SHELLS, strict=True) if s.drive.id == s.non_drive.id == wanted
        ]
        for wanted in (family, rival)
    }
    before, after = posterior(evidence), posterior((*evidence, item))
    moved = _odds(after, family, rival) - _odds(before, family, rival)
    if min(chances[family]) >= max(chances[rival]):
        assert moved >= -1e-9
    if not isinstance(item, ShellWidth):
        assert moved == pytest.approx(math.log(chances[family][0] / chances[rival][0]), abs=1e-9)


@given(ANY_EVIDENCE, st.data())
@settings(deadline=None)
def test_the_same_reading_again_changes_nothing(evidence: tuple[Evidence, ...], data: st.DataObject) -> None:
    item = data.draw(st.sampled_from(evidence))
    alone = [other for other in evidence if (kind(other), side(other)) == (kind(item), side(item))] == [item]
    assume(alone and not isinstance(item, OldCrank | Origin))
    times = data.draw(st.integers(1, 4))
    once, often = posterior(evidence), posterior((*evidence, *[item] * times))
    assert often.probabilities == pytest.approx(once.probabilities, abs=1e-12)


@given(ANY_EVIDENCE, SIDES)
@settings(deadline=None)
def test_a_stamp_nobody_knows_changes_nothing_not_even_beside_a_known_one(
    evidence: tuple[Evidence, ...], where: Side
) -> None:
    unknown = stamp("EXTRA", where)
    np.testing.assert_array_equal(posterior((*evidence, unknown)).log_joint[0], posterior(evidence).log_joint[0])


def _in_inches(item: Evidence) -> Evidence:
    reading = getattr(item, "reading", None)
    if not isinstance(reading, Reading):
        return item
    turned = Reading(value=reading.value / 25.4, unit="in", tool=reading.tool, plus_minus=2 * reading.sd / 25.4)
    return msgspec.structs.replace(item, reading=turned)


@given(ANY_EVIDENCE)
@settings(deadline=None)
def test_millimetres_and_inches_agree(evidence: tuple[Evidence, ...]) -> None:
    turned = tuple(_in_inches(item) for item in evidence)
    assert posterior(turned).probabilities == pytest.approx(posterior(evidence).probabilities, abs=1e-9)


@given(st.lists(st.floats(-800, 800), min_size=1, max_size=20))
def test_log_sum_is_scipy_s_logsumexp(logs: list[float]) -> None:
    both = log_sum(np.array([logs, logs[::-1]]))
    np.testing.assert_allclose(both, [special.logsumexp(logs)] * 2, rtol=0, atol=1e-9)


@given(ANY_EVIDENCE)
@settings(deadline=None)
def test_odds_and_probability_say_the_same(evidence: tuple[Evidence, ...]) -> None:
    known = posterior(evidence)
    leader = known.leader
    odds = 10 ** known.log10_odds[0]
    assert odds / (1 + odds) == pytest.approx(known.pair_probability(leader), abs=1e-9)
    assert known.pair_probability(leader) == max(known.pairs.values())
    assert known.width_probability >= known.probabilities[SHELLS.index(leader)]


def test_weights_of_evidence_are_decibans() -> None:
    """I. J. Good, 1950: ten times the decimal logarithm; 13 decibans are odds of 20 to 1."""
    assert DECIBANS * math.log(20) == pytest.approx(DECISIVE) == pytest.approx(13.0103)


def test_separation_adds_up_over_kinds_and_holds_no_prior() -> None:
    seen = gauge(24), hand("left")
    both, *each = (posterior(items) for items in ((*seen, origin("GB", 1955, 1960)), seen[:1], seen[1:]))
    assert {known.leader.original.id for known in (both, *each)} == {"iso_english"}
    np.testing.assert_allclose(both.separation, each[0].separation + each[1].separation, rtol=0, atol=1e-9)


def test_two_readings_of_a_kind_count_as_their_mean() -> None:
    both, one, other = (posterior(items) for items in ([width(68), width(70)], [width(68)], [width(70)]))
    np.testing.assert_allclose(both.log_likelihood, (one.log_likelihood + other.log_likelihood) / 2)


@given(ANY_EVIDENCE)
@settings(deadline=None)
def test_leaving_an_item_out_is_never_having_had_it(evidence: tuple[Evidence, ...]) -> None:
    """To the last digit: so that what a verdict leans on does not hang on how it was summed."""
    known = posterior(evidence)
    for index in range(len(evidence)):
        rest = posterior(evidence[:index] + evidence[index + 1 :])
        np.testing.assert_array_equal(known.probabilities_without[index], rest.probabilities)
        np.testing.assert_array_equal(known.log_joint[index + 1], rest.log_joint[0])


def test_readings_of_one_kind_weigh_the_same_to_the_last_digit_in_any_order() -> None:
    readings = [width(68), width(70.13), width(67.37), width(71.9, "caliper")]
    first, *others = (posterior(order) for order in itertools.permutations(readings))
    for other in others:
        np.testing.assert_array_equal(other.log_likelihood, first.log_likelihood)


@pytest.mark.parametrize("size", [30.4, 30.9, 31.3])
def test_of_families_that_are_equally_probable_the_first_of_the_table_leads(size: float) -> None:
    """Two plain bores that nothing tells apart have the same weight in the table of priors."""
    known = posterior([bore("plain"), bore("plain", "non_drive"), cup(size)])
    alike = known.pairs["one_piece_51", "one_piece_51"], known.pairs["press_41", "press_41"]
    assert alike[0] == pytest.approx(alike[1], rel=1e-12)
    assert known.leader.drive.id == "one_piece_51"


@pytest.mark.parametrize(
    ("evidence", "family", "size"),
    [
        ((width(67), bore("threaded")), "iso_english", 68),
        ((width(70, "caliper"),), "italian", 70),
        ((width(71, "caliper"),), "british_26", 71),
        ((width(76, "caliper"),), "british_26", 76),
        ((width(73, "caliper"),), "iso_english", 73),
        ((width(83, "caliper"),), "iso_english", 83),
        ((width(100, "caliper"),), "iso_english", 100),
        ((cup(35.5),), "italian", 70),
        ((cup(35.9),), "italian", 70),
        ((cup(36.6),), "oversize_26", 68),
        ((cup(36.8),), "oversize_26", 68),
        ((stamp("35x1"), hand("left")), "swiss", 68),
        ((stamp("35x1"), hand("right")), "french", 68),
        ((stamp("M35x24"),), "iso_english", 68),
        ((bore("plain"), inside(40.0), crank("cottered")), "thompson_40", 68),
    ],
)
def test_evidence_leads_where_the_trade_reads_it(evidence: tuple[Evidence, ...], family: str, size: float) -> None:
    """Workshop references and common practice, as the families' table and the error models name them."""
    leader = posterior(evidence).leader
    assert (leader.drive.id, leader.non_drive.id, leader.width) == (family, family, size)


def test_a_side_cut_over_is_recognised_from_both_sides_readings() -> None:
    """Common practice, no source: a worn side is cut over to Italian alone."""
    known = posterior([cup(34.7), hand("left"), gauge(24), cup(35.9, "non_drive"), inside(34.95, "non_drive")])
    assert (known.leader.drive.id, known.leader.non_drive.id) == ("iso_english", "italian")
    assert known.pair_probability(known.leader) > 0.9
    assert known.retapped_side == "non_drive"


def test_the_drive_side_cut_over_is_recognised_by_its_hand_too() -> None:
    known = posterior([cup(35.9), hand("right"), gauge(24), cup(34.7, "non_drive"), inside(33.8, "non_drive")])
    assert (known.leader.drive.id, known.leader.non_drive.id) == ("italian", "iso_english")
    assert known.retapped_side == "drive"


def test_a_shell_read_on_one_side_only_is_no_mixture() -> None:
    assert posterior(COTTERED).retapped_side is None
    assert not judged(*COTTERED).leading.name.count("on the other")


def test_every_reading_is_readable_but_a_stamp_nobody_knows() -> None:
    assert [readable(item) for item in (*COTTERED, stamp("36x24"), stamp("EXTRA"))] == [True] * 5 + [False]
