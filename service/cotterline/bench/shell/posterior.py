"""From evidence to probabilities over whole shells: Bayes' rule over a finite set of hypotheses.

Weights of evidence are in decibans, ten times the decimal logarithm of the factor by which the odds change
(I. J. Good, Probability and the Weighing of Evidence, 1950).
"""

import math
from collections.abc import Sequence
from functools import cached_property
from typing import Final

import numpy as np

from cotterline.bench.quantity import Side
from cotterline.bench.shell.evidence import Evidence
from cotterline.bench.shell.families import SHELLS, FamilyId, Shell
from cotterline.bench.shell.features import (
    COLUMNS,
    FAMILY_AT,
    FEATURES,
    MEMBERS,
    OF_PAIR,
    PAIR_IDS,
    PAIRS,
    UNTOUCHED,
    WHOLE_PAIRS,
    FeatureName,
    Numbers,
    Pair,
)
from cotterline.bench.shell.observation import Observation, observation
from cotterline.bench.shell.prior import background, log_weights, without

DECIBANS: Final = 10 / math.log(10)
"""Decibans in one unit of natural logarithm."""

DECISIVE: Final = 10 * math.log10(20)
"""Decibans from which one observation, or a set of them, tells two shells apart: odds of 20 to 1. A convention."""


def _cut_over() -> dict[tuple[FamilyId, float], tuple[int, list[tuple[int, Side]]]]:
    found: dict[tuple[FamilyId, float], tuple[int, list[tuple[int, Side]]]] = {}
    for at, shell in enumerate(SHELLS):
        if not shell.mixed:
            found[shell.drive.id, shell.width] = (at, [])
    for at, shell in enumerate(SHELLS):
        if shell.mixed:
            side: Side = "drive" if shell.drive is not shell.original else "non_drive"
            found[shell.original.id, shell.width][1].append((at, side))
    return found


_CUT_OVER: Final = _cut_over()
"""By family and width: place of the untouched shell, and of the same with one side cut over, with that side."""

_NOISE: Final = 12
"""Decimals beyond which probabilities differ by rounding alone: families that are equally probable shall stay so."""

_NONE: Final = np.zeros(len(SHELLS))
_OF_FAMILY: Final = np.arange(len(UNTOUCHED))


def log_sum(logs: Numbers) -> Numbers:
    """Logarithm of the sum of exponentials along the last axis, without overflow.

    >>> log_sum(np.log([[1.0, 2.0], [3.0, 4.0]])).round(9).tolist() == np.log([3.0, 7.0]).round(9).tolist()
    True
    """
    top = logs.max(axis=-1)
    total: Numbers = top + np.log(np.exp(logs - top[..., None]).sum(axis=-1))
    return total


class Posterior:
    """Probabilities of every shell in ``SHELLS`` after the evidence, and after all of it but one item.

    Readings of one kind on one side count once, as the mean of their log-likelihoods: a reading taken twice with the
    same tool is not new evidence. A stamp nobody knows is no reading. Everything else is independent given the shell.

    Attributes:
        observations: the evidence, in the order given.
        background: what it says of the bicycle apart from its shell.
        log_likelihood: of all observations, on each shell.
        log_joint: log of prior weight times likelihood, a row each: of all evidence, then without each item in turn.
        probabilities: of each shell; they sum to one.
        probabilities_without: the same without each item in turn, a row an item.
        pairs: probability of every pair of families on the two sides, whatever the width.
        whole: probability that a family stands on both sides, of each family in ``FAMILY_IDS``.
        pair: the most probable pair.
        at: place in ``SHELLS`` of the most probable shell, width included; among equals the first.
        leader: that shell.
    """

    def __init__(self, observations: Sequence[Observation]) -> None:
        self.observations = tuple(observations)
        self.background = background([seen.item for seen in self.observations if seen.background])
        self._places = self._by_place()
        self._rows = np.array([self._mean(items) for _, items in self._places]).reshape(-1, len(SHELLS))
        self.log_likelihood = self._rows.sum(axis=0)
        self.log_joint = self._log_joint()
        odds = np.exp(self.log_joint - self.log_joint.max(axis=1, keepdims=True))
        odds /= odds.sum(axis=1, keepdims=True)
        self.probabilities: Numbers = odds[0]
        self.probabilities_without: Numbers = odds[1:]
        by_pair = OF_PAIR.totals(self.probabilities)
        self.pairs: dict[tuple[FamilyId, FamilyId], float] = dict(zip(PAIR_IDS, by_pair.tolist(), strict=True))
        self.whole = by_pair[WHOLE_PAIRS]
        best = int(by_pair.round(_NOISE).argmax())
        self.pair: Pair = PAIRS[best]
        self.at = int(self.pair.shells[self.probabilities[self.pair.shells].argmax()])
        self.leader: Shell = SHELLS[self.at]

    def _by_place(self) -> list[tuple[tuple[str, str], list[int]]]:
        """Items that say something of the shell by kind and side, sorted."""
        places: dict[tuple[str, str], list[int]] = {}
        for index, seen in enumerate(self.observations):
            if seen.counts:
                places.setdefault((seen.kind, seen.side or ""), []).append(index)
        return sorted(places.items())

    def _mean(self, items: Sequence[int]) -> Numbers:
        """Mean log-likelihood of some items on each shell; 0 for none. Their order does not move a digit of it."""
        if len(items) == 1:
            return self.observations[items[0]].logs
        if not items:
            return _NONE
        mean: Numbers = np.sort([self.observations[index].logs for index in items], axis=0).sum(axis=0) / len(items)
        return mean

    def _log_joint(self) -> Numbers:
        likelihood = np.repeat(self._rows[None], len(self.observations) + 1, axis=0)
        prior = np.repeat(log_weights(self.background)[None], len(self.observations) + 1, axis=0)
        for place, (_, items) in enumerate(self._places):
            for index in items:
                likelihood[index + 1, place] = self._mean([other for other in items if other != index])
        for index, seen in enumerate(self.observations):
            if seen.background:
                prior[index + 1] = log_weights(without(self.background, seen.item))
        joint: Numbers = prior + likelihood.sum(axis=1)
        return joint

    @cached_property
    def by_features(self) -> Numbers:
        """Probability of each value of every feature, all features side by side."""
        sums: Numbers = self.probabilities @ MEMBERS
        return sums

    def by_feature(self, name: FeatureName) -> Numbers:
        """Probability of each value of a feature."""
        return self.by_features[COLUMNS[name]]

    @cached_property
    def log10_odds(self) -> list[float]:
        """Decimal log of the odds of the leading pair, whatever the width: of all evidence, then without each item."""
        inside, outside = self.log_joint[:, self.pair.shells], self.log_joint[:, self.pair.others]
        odds: list[float] = ((log_sum(inside) - log_sum(outside)) / math.log(10)).tolist()
        return odds

    @cached_property
    def separation(self) -> Numbers:
        """Decibans by which the observations favour the leader's own family over each family, in ``FAMILY_IDS``.

        Each family stands in the width that suits the observations best: no background and no share of widths enters,
        and a rival has the benefit of the doubt. Readings of one kind on both sides come from one eye and one tool:
        together they count as the better of them, less whatever the other says against it.
        """
        if not self._places:
            return np.zeros(len(UNTOUCHED))
        best = UNTOUCHED[_OF_FAMILY, self.log_likelihood[UNTOUCHED].argmax(axis=1)]
        ours = best[FAMILY_AT[self.leader.original.id]]
        gains = self._rows[:, ours, None] - self._rows[:, best]
        kinds = [kind for (kind, _), _ in self._places]
        starts = [place for place, kind in enumerate(kinds) if kind not in kinds[:place]]
        most = np.maximum.reduceat(np.maximum(gains, 0.0), starts)
        least = np.minimum.reduceat(np.minimum(gains, 0.0), starts)
        total: Numbers = (most + least).sum(axis=0) * DECIBANS
        return total

    @property
    def width_separation(self) -> float:
        """Decibans by which the width readings favour the leading width over the family's next best one."""
        logs: list[float] = self.log_likelihood[self.pair.shells].tolist()
        others = [log for place, log in zip(self.pair.shells, logs, strict=True) if place != self.at]
        return (float(self.log_likelihood[self.at]) - max(others, default=-math.inf)) * DECIBANS

    @property
    def retapped_side(self) -> Side | None:
        """The side the observations say was cut over, by more than 2 to 1 against an untouched shell; else None."""
        untouched, cut = _CUT_OVER[self.leader.original.id, self.leader.width]
        sides = [(float(self.log_likelihood[at]), side) for at, side in cut]
        log, side_cut = max(sides, default=(-math.inf, "drive"))
        return side_cut if log > self.log_likelihood[untouched] + math.log(2) else None

    def pair_probability(self, shell: Shell) -> float:
        """Probability that the shell has the same families on its sides as ``shell``, whatever its width."""
        return self.pairs[shell.drive.id, shell.non_drive.id]

    @property
    def width_probability(self) -> float:
        """Probability of the leading shell's nominal width, whatever the thread."""
        of_width: float = self.by_feature("width").tolist()[FEATURES["width"].of_shell[self.at]]
        return of_width


def posterior(evidence: Sequence[Evidence]) -> Posterior:
    """Probabilities after ``evidence``, in whatever order it comes."""
    return Posterior([observation(item) for item in evidence])
