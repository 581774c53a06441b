"""What a measurement promises: by the other form of the same law, outcome by outcome."""

import numpy as np
import pytest
from hypothesis import given, settings
from scipy import stats

from cotterline.bench.shell.evidence import Evidence
from cotterline.bench.shell.families import SHELLS
from cotterline.bench.shell.features import FEATURES
from cotterline.bench.shell.outcomes import candidates
from cotterline.bench.shell.posterior import DECIBANS, DECISIVE, posterior
from cotterline.bench.shell.prospects import prospects
from tests.bench.bikes import COTTERED, bore, gauge
from tests.bench.random_evidence import ANY_EVIDENCE


def test_every_candidate_has_one_of_its_outcomes_on_any_shell() -> None:
    for candidate in candidates():
        assert len(candidate.chances) == len(candidate.labels) + 1
        np.testing.assert_allclose(candidate.chances.sum(axis=0), 1.0, rtol=0, atol=1e-8)
        with pytest.raises(ValueError, match="read-only"):
            candidate.chances[0, 0] = 1.0


@given(ANY_EVIDENCE)
@settings(deadline=None, max_examples=20)
def test_information_is_what_the_outcome_takes_from_the_entropy_of_the_shell(evidence: tuple[Evidence, ...]) -> None:
    """D. V. Lindley, 1956: the mean over outcomes; the service reckons it from the outcome's side."""
    base = posterior(evidence)
    before = stats.entropy(base.probabilities, base=2)
    for prospect in prospects(base):
        chances = prospect.candidate.chances[:, FEATURES[prospect.candidate.feature].of_shell]
        joint = chances * base.probabilities
        np.testing.assert_allclose(prospect.outcome, joint.sum(axis=1), rtol=1e-9, atol=1e-12)
        left = (joint.sum(axis=1) * stats.entropy(joint, base=2, axis=1)).sum()
        assert prospect.gain == pytest.approx(before - left, abs=1e-6)


@pytest.mark.parametrize("evidence", [COTTERED[:2], (bore("threaded"), gauge(24)), (gauge(26), gauge(24))])
def test_rivals_are_told_apart_by_decibans_expected_and_gathered(evidence: tuple[Evidence, ...]) -> None:
    base = posterior(evidence)
    for prospect in prospects(base):
        chances = prospect.candidate.chances[:, FEATURES[prospect.candidate.feature].of_shell]
        ours = chances[:, SHELLS.index(base.leader)]
        for place, family in enumerate(dict.fromkeys(s.drive.id for s in SHELLS if not s.mixed)):
            at = next(i for i, s in enumerate(SHELLS) if s.drive.id == family and not s.mixed)
            expected = stats.entropy(ours, chances[:, at]) * DECIBANS + base.separation[place]
            assert prospect.apart[place] == (expected >= DECISIVE)
