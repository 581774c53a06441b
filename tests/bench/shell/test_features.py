"""The shells as arrays: nothing is lost in sums over them, and nobody writes to what many answers share."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cotterline.bench.quantity import probabilities, probability
from cotterline.bench.shell.families import BY_SIDES, FAMILIES, SHELLS
from cotterline.bench.shell.features import BY_FAMILY, FAMILY_IDS, FEATURES, OF_PAIR, PAIRS, UNTOUCHED, WIDTHS, fixed

WEIGHTS = np.random.default_rng(7).random(len(SHELLS))


def test_every_feature_sums_the_shells_that_have_each_value() -> None:
    by_drive, by_width = FEATURES["drive"].totals(WEIGHTS), FEATURES["width"].totals(WEIGHTS)
    for place, family in enumerate(FAMILY_IDS):
        expected = sum(w for w, shell in zip(WEIGHTS, SHELLS, strict=True) if shell.drive.id == family)
        assert by_drive[place] == pytest.approx(expected)
    for place, width in enumerate(WIDTHS):
        expected = sum(w for w, shell in zip(WEIGHTS, SHELLS, strict=True) if shell.width == width)
        assert by_width[place] == pytest.approx(expected)


def test_every_shell_is_in_one_pair_and_outside_all_others() -> None:
    for place, pair in enumerate(PAIRS):
        assert sorted([*pair.shells, *pair.others]) == list(range(len(SHELLS)))
        assert set(OF_PAIR.of_shell[pair.shells]) == {place}
        assert all((SHELLS[at].drive, SHELLS[at].non_drive) == (pair.drive, pair.non_drive) for at in pair.shells)


def test_threads_are_the_same_but_for_their_hands() -> None:
    """French and Swiss threads differ in the drive side's hand alone (trade tables of bottom-bracket threads)."""
    french = next(pair for pair in PAIRS if pair.drive.id == pair.non_drive.id == "french")
    alike = {shell.drive.id for shell, same in zip(SHELLS, french.same_threads, strict=True) if same}
    assert alike == {"french", "swiss"}


def test_the_greatest_of_each_family_is_that_of_its_shells() -> None:
    for where, of_shell in (("drive", [s.drive.id for s in SHELLS]), (None, [s.original.id for s in SHELLS])):
        families = BY_FAMILY["drive" if where else None]
        expected = [
            max(w for w, one in zip(WEIGHTS, of_shell, strict=True) if one == family) for family in families.ids
        ]
        assert families.greatest(WEIGHTS) == expected


def test_untouched_shells_of_a_family_are_all_its_widths() -> None:
    for places, family in zip(UNTOUCHED, FAMILIES.values(), strict=True):
        assert {SHELLS[at].width for at in places} == {float(width) for width in family.widths}
        assert all(SHELLS[at].drive is SHELLS[at].non_drive is family for at in places)


def test_a_shell_is_found_by_its_sides_and_width() -> None:
    assert [BY_SIDES[s.drive.id, s.non_drive.id, s.width] for s in SHELLS] == list(SHELLS)


def test_what_is_fixed_refuses_to_be_written_to() -> None:
    with pytest.raises(ValueError, match="read-only"):
        fixed([1.0, 2.0])[0] = 3.0


@given(st.lists(st.floats(-0.1, 1.1), min_size=1, max_size=30))
def test_many_probabilities_are_stated_as_each_is_alone(values: list[float]) -> None:
    assert probabilities(np.array(values)) == [probability(value) for value in values]
