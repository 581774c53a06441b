"""What one item says by itself is worked out once, kept within bounds, and not changed by whoever reads it."""

import math

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings

from cotterline.bench.shell.evidence import BACKGROUND, DIRECT, Evidence
from cotterline.bench.shell.families import SHELLS
from cotterline.bench.shell.likelihood import likelihoods, readable
from cotterline.bench.shell.observation import observation
from cotterline.bench.shell.prior import Background, log_weights, rules
from tests.bench.bikes import cup, width
from tests.bench.random_evidence import ANY_ITEM


@given(ANY_ITEM)
@settings(deadline=None)
def test_an_observation_says_what_its_likelihoods_say(item: Evidence) -> None:
    seen, each = observation(item), likelihoods(item)
    totals = [chance.total for chance in each]
    np.testing.assert_allclose(seen.logs, [math.log(total) for total in totals], rtol=1e-12, atol=1e-12)
    assert seen.best == totals.index(max(totals))
    assert seen.best_is_slip == (each[seen.best].slip > each[seen.best].proper)
    assert seen.background == isinstance(item, BACKGROUND)
    assert seen.counts == (readable(item) and not seen.background)
    assert seen.names_thread == (readable(item) and isinstance(item, DIRECT))


@given(ANY_ITEM)
@settings(deadline=None)
def test_an_item_speaks_for_the_families_it_fits_half_as_well_as_the_best(item: Evidence) -> None:
    seen = observation(item)
    best: dict[str, float] = {}
    for shell, chance in zip(SHELLS, likelihoods(item), strict=True):
        best[seen.family(shell)] = max(best.get(seen.family(shell), 0.0), chance.total)
    favoured = tuple(family for family, chance in best.items() if chance >= max(best.values()) / 2)
    assert seen.speaks_for == (() if len(favoured) == len(best) or seen.background else favoured)


def test_the_same_item_is_worked_out_once() -> None:
    again = msgspec.json.decode(msgspec.json.encode(cup(34.71)), type=type(cup(34.71)))
    assert observation(again) is observation(cup(34.71))
    assert observation(cup(34.72)) is not observation(cup(34.71))


def test_nobody_can_change_what_is_kept_for_the_next_request() -> None:
    for kept in (observation(width(68)).logs, log_weights(Background("GB", (1955, 1965), "cottered"))):
        with pytest.raises(ValueError, match="read-only"):
            kept[0] = 0.0


def test_what_is_kept_of_requests_is_bounded() -> None:
    for kept in (observation, log_weights, rules):
        assert kept.cache_info().maxsize is not None
