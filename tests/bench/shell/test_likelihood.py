"""Error models: every kind against a second computation with scipy, and against facts of the trade."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from cotterline.bench.quantity import Side
from cotterline.bench.shell.evidence import Evidence, kind
from cotterline.bench.shell.families import SHELLS, FamilyId, Hand
from cotterline.bench.shell.likelihood import STAMPS, likelihoods, normal, read_stamp, readable
from tests.bench import brute_force
from tests.bench.bikes import bore, crank, crests, cup, fittings, flats, gauge, hand, inside, origin, stamp, width
from tests.bench.random_evidence import OF_THE_SHELL

DECISIVE = 20.0
"""Odds from which one observation tells two shells apart. A convention."""


def _on(item: Evidence, family: FamilyId, size: float | None = None) -> float:
    """Likelihood on an untouched shell of a family, in its first width or the one asked for."""
    return next(
        chance.total
        for shell, chance in zip(SHELLS, likelihoods(item), strict=True)
        if shell.drive.id == shell.non_drive.id == family and size in {None, shell.width}
    )


def _ratio(item: Evidence, family: FamilyId, rival: FamilyId) -> float:
    return _on(item, family) / _on(item, rival)


@given(OF_THE_SHELL)
def test_every_likelihood_is_that_of_a_second_computation_with_scipy(item: Evidence) -> None:
    expected = brute_force.likelihood(brute_force.wire([item])[0])
    np.testing.assert_allclose([chance.total for chance in likelihoods(item)], expected, rtol=1e-9, atol=1e-15)


@pytest.mark.parametrize(
    "item",
    [
        gauge(24, over=8),
        gauge(25),
        crests(9, 8.47),
        cup(34.7),
        cup(35, tool="ruler"),
        inside(33.8, "non_drive"),
        width(67),
        hand("left", "non_drive"),
        bore("plain"),
        stamp("M35x24"),
        stamp("36x24"),
        fittings("both"),
        flats(35.1),
    ],
    ids=kind,
)
def test_one_of_every_kind_agrees_with_scipy(item: Evidence) -> None:
    expected = brute_force.likelihood(brute_force.wire([item])[0])
    assert [chance.total for chance in likelihoods(item)] == pytest.approx(list(expected), rel=1e-9)
    assert len(set(expected)) > 1


def test_the_second_computation_knows_the_same_shells() -> None:
    ours = [(shell.drive.id, shell.non_drive.id, shell.width, shell.share) for shell in SHELLS]
    assert ours == [shell[:4] for shell in brute_force.SHELLS]


@given(st.floats(-100, 100), st.floats(-100, 100), st.floats(0.01, 50))
def test_the_normal_density_is_scipy_s(value: float, centre: float, sd: float) -> None:
    assert normal(value, np.array(centre), sd) == pytest.approx(stats.norm.pdf(value, centre, sd), rel=1e-9, abs=1e-300)


@given(OF_THE_SHELL)
def test_no_observation_excludes_a_shell_altogether(item: Evidence) -> None:
    assert min(chance.total for chance in likelihoods(item)) > 0.0


@pytest.mark.parametrize("item", [crank("cottered"), origin("GB")])
def test_background_is_as_probable_on_every_shell(item: Evidence) -> None:
    assert {chance.total for chance in likelihoods(item)} == {1.0}


@pytest.mark.parametrize("leaf", [gauge(26, over=9), gauge(1, "mm", over=9), gauge(25, over=9)])
def test_a_gauge_cannot_tell_26_tpi_from_1_mm_on_a_nine_millimetre_thread(leaf: Evidence) -> None:
    """Thread geometry: the pitches differ by 2.3 %, a fifth of a pitch over 9 mm."""
    assert 1 / 3 < _ratio(leaf, "british_26", "french") < 3


@pytest.mark.parametrize("length", [5, 8, 10, 12])
def test_the_shorter_the_thread_the_less_26_tpi_and_1_mm_differ(length: float) -> None:
    near, far = gauge(26, over=length), gauge(26, over=length + 4)
    assert _ratio(near, "british_26", "french") < _ratio(far, "british_26", "french")


def test_26_tpi_and_1_mm_drift_half_a_pitch_apart_only_after_21_threads() -> None:
    """Thread geometry: 0.5 / (1 - 25.4/26) = 21.7."""
    pitch = 25.4 / 26
    assert 0.5 / (1 - pitch) == pytest.approx(21.67, abs=0.01)
    assert _ratio(gauge(26, over=22 * pitch), "british_26", "french") >= DECISIVE
    assert _ratio(gauge(26, over=16 * pitch), "british_26", "french") < DECISIVE


def test_a_gauge_tells_24_from_26_tpi_after_six_threads_and_24_tpi_from_1_mm_after_nine() -> None:
    """Thread geometry: half a pitch of drift."""
    pitch = 25.4 / 24
    assert _ratio(gauge(24, over=6.5 * pitch), "iso_english", "british_26") >= DECISIVE
    assert _ratio(gauge(24, over=9 * pitch), "iso_english", "french") >= DECISIVE
    assert _ratio(gauge(24, over=5 * pitch), "iso_english", "french") < DECISIVE


@given(st.floats(2, 20), st.floats(0.5, 15))
def test_a_longer_thread_tells_more_between_24_and_26_tpi(length: float, longer: float) -> None:
    short, long = gauge(24, over=length), gauge(24, over=length + longer)
    ratios = [_ratio(item, "iso_english", "british_26") for item in (short, long)]
    assert ratios[0] <= ratios[1] + 1e-9


def test_a_thread_length_not_stated_counts_as_nine_millimetres() -> None:
    assert likelihoods(gauge(24)) == likelihoods(gauge(24, over=9))


def test_crests_over_a_length_tell_the_pitch_with_their_own_error() -> None:
    """Ten crests span nine pitches: 9.525 mm of 24 tpi, 9 mm of 1 mm, 8.79 mm of 26 tpi."""
    assert _ratio(crests(10, 9.53), "iso_english", "french") >= DECISIVE
    assert _ratio(crests(10, 9.0), "french", "iso_english") >= DECISIVE
    assert _ratio(crests(10, 8.79), "british_26", "french") >= DECISIVE
    assert _ratio(crests(10, 8.8, tool="ruler"), "british_26", "french") < 3


@pytest.mark.parametrize("which", ["left", "right"])
def test_the_non_drive_hand_says_nothing_between_threads(which: Hand) -> None:
    item = hand(which, "non_drive")
    threaded = {_on(item, shell.drive.id) for shell in SHELLS if shell.drive.threaded and not shell.mixed}
    assert len(threaded) == 1


@pytest.mark.parametrize("rival", ["italian", "french"])
def test_a_left_hand_drive_cup_is_strong_against_italian_and_french_and_the_reverse(rival: FamilyId) -> None:
    for family in ("iso_english", "swiss", "british_26"):
        assert _ratio(hand("left"), family, rival) >= DECISIVE
        assert _ratio(hand("right"), rival, family) >= DECISIVE


@pytest.mark.parametrize("size", [35.5, 35.6, 35.8, 36.0])
def test_a_cup_of_35_5_and_over_is_italian(size: float) -> None:
    """Workshop references."""
    for rival in ("iso_english", "french", "swiss", "british_26", "oversize_26"):
        assert _ratio(cup(size), "italian", rival) >= DECISIVE


@pytest.mark.parametrize("size", [36.55, 36.7, 36.8])
def test_a_cup_over_36_5_is_suspected_oversize(size: float) -> None:
    assert _ratio(cup(size), "oversize_26", "italian") >= DECISIVE


@pytest.mark.parametrize("size", [34.6, 34.65, 34.7, 34.75])
@pytest.mark.parametrize("rival", ["french", "british_26"])
def test_a_cup_of_34_6_to_34_8_cannot_tell_the_rest_apart(size: float, rival: FamilyId) -> None:
    assert 1 / DECISIVE < _ratio(cup(size), "iso_english", rival) < DECISIVE


@pytest.mark.parametrize("size", [34.85, 34.9, 34.95])
def test_a_clean_cup_of_34_85_and_over_leans_to_35_x_1(size: float) -> None:
    assert _ratio(cup(size), "french", "iso_english") > 1.5


def test_a_worn_cup_reads_under_nominal_and_is_still_its_own() -> None:
    """Handbook: worn male threads read 0.1 to 0.2 under."""
    assert _ratio(cup(34.5), "iso_english", "french") > 1
    assert _ratio(cup(35.65), "italian", "french") >= DECISIVE


def test_a_ruler_across_a_cup_tells_less_than_a_caliper() -> None:
    assert 1 < _ratio(cup(35.9, tool="ruler"), "italian", "iso_english") < _ratio(cup(35.9), "italian", "iso_english")


def test_67_on_a_ruler_fits_a_68_shell_and_no_70_one() -> None:
    """Common practice, no source."""
    assert _on(width(67), "iso_english", 68.0) / _on(width(67), "italian", 70.0) >= DECISIVE


def test_70_speaks_for_italian() -> None:
    reading = width(70, "caliper")
    assert _on(reading, "italian", 70.0) / _on(reading, "iso_english", 68.0) >= DECISIVE


@pytest.mark.parametrize("size", [71.0, 76.0])
def test_71_and_76_speak_for_26_tpi(size: float) -> None:
    reading = width(size, "caliper")
    best = _on(reading, "british_26", size)
    assert best / _on(reading, "iso_english", 68.0) >= DECISIVE
    assert best / _on(reading, "iso_english", 73.0) >= DECISIVE
    assert best / _on(reading, "italian", 70.0) >= DECISIVE


@pytest.mark.parametrize(
    ("text", "families"),
    [
        ("1.37x24", {"iso_english"}),
        ("1.370 x 24", {"iso_english"}),
        ("1,37 × 24 TPI", {"iso_english"}),
        ("1.375 x 24", {"iso_english"}),
        ("BC 1.37", {"iso_english"}),
        ("B.C. 1.37 x 24", {"iso_english"}),
        ('1 3/8" x 24', {"iso_english"}),
        ("34.8x24", {"iso_english"}),
        ("M35x24", {"iso_english"}),
        ("36x24", {"italian"}),
        ("36 mm x 24 TPI", {"italian"}),
        ("36x24F", {"italian"}),
        ("35x1", {"french", "swiss"}),
        ("35 x 1,0", {"french", "swiss"}),
        ("M35x1", {"french", "swiss"}),
        ("1 3/8 x 26", {"british_26", "whitworth_26"}),
        ("1.45x26", {"oversize_26"}),
        ("T47", {"t47"}),
        ("M48x1.5", {"m48"}),
    ],
)
def test_stamps_stand_for_what_the_trade_reads_in_them(text: str, families: set[str]) -> None:
    """Workshop references."""
    row = read_stamp(text)
    assert row is not None
    assert set(row.families) == families
    best = max(chance.total for chance in likelihoods(stamp(text)))
    fits = {
        shell.drive.id
        for shell, chance in zip(SHELLS, likelihoods(stamp(text)), strict=True)
        if math.isclose(chance.total, best)
    }
    assert fits == families


def test_a_35_x_1_stamp_says_nothing_of_the_hand() -> None:
    assert _ratio(stamp("35x1"), "french", "swiss") == 1.0


def test_m35_x_24_is_a_trap_it_is_no_35_x_1_thread_and_says_less_than_a_plain_stamp() -> None:
    assert _ratio(stamp("M35x24"), "iso_english", "french") >= DECISIVE
    assert _ratio(stamp("M35x24"), "iso_english", "french") < _ratio(stamp("1.37x24"), "iso_english", "french")
    row = read_stamp("M35x24")
    assert row is not None
    assert "not a 35 mm x 1 mm thread" in row.remark


@pytest.mark.parametrize("text", ["EXTRA", "made in", "24", "1.37x25", "3"])
def test_a_stamp_nobody_knows_is_no_reading_and_fits_every_shell_alike(text: str) -> None:
    assert read_stamp(text) is None
    assert not readable(stamp(text))
    assert len(set(likelihoods(stamp(text)))) == 1


def test_every_text_of_the_stamp_table_reads_as_its_own_row() -> None:
    assert all(read_stamp(text) is row for text, row in STAMPS.items())


def test_raised_fittings_on_both_cups_speak_for_26_tpi_and_on_one_cup_hardly() -> None:
    """Common practice, no source: both, a good chance of 26 tpi; the adjustable cup only, it could be 24."""
    assert _ratio(fittings("both"), "british_26", "iso_english") > 5
    assert 0.5 < _ratio(fittings("adjustable_only"), "british_26", "iso_english") < 2
    assert _ratio(fittings("neither"), "iso_english", "british_26") > 2


def test_fixed_cup_flats_of_35_suggest_french_and_36_is_common() -> None:
    """Handbook."""
    assert _ratio(flats(35.0), "french", "iso_english") > 5
    assert _ratio(flats(36.0), "iso_english", "french") > 2


@pytest.mark.parametrize("where", ["drive", "non_drive"])
def test_each_side_is_read_by_itself(where: Side) -> None:
    """A retapped side reads Italian, whatever the other side is."""
    for shell, chance in zip(SHELLS, likelihoods(cup(35.9, where)), strict=True):
        if shell.mixed:
            assert chance.total == pytest.approx(_on(cup(35.9, where), shell.at(where).id))
