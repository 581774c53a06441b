"""What every measurement that can be taken promises on one bicycle.

Those that tell of one feature of a shell are reckoned together: what holds of them on every bicycle is kept, and what
is known of the bicycle enters as the probability of each value of that feature.
"""

from functools import cache, lru_cache
from itertools import accumulate, pairwise
from typing import NamedTuple

import numpy as np

from cotterline.bench.shell.families import SHELLS
from cotterline.bench.shell.features import FEATURES, UNTOUCHED, FeatureName, Numbers, Places, fixed
from cotterline.bench.shell.order_conditions import leaning, survives
from cotterline.bench.shell.outcomes import Candidate, candidates
from cotterline.bench.shell.posterior import DECIBANS, DECISIVE, Posterior


class Prospect(NamedTuple):
    """What a candidate promises on one bicycle.

    Attributes:
        candidate: which.
        base: what is known without it.
        outcome: probability of each outcome, the last of none of them.
        gain: information it is expected to give, bits.
        apart: whether it can be expected to tell the leading family apart from each family.
        props: whether its likeliest outcome on the leading shell lets the verdict do without any one other reading.
        again: whether it is to be taken again because what it said is contradicted.
    """

    candidate: Candidate
    base: Posterior
    outcome: Numbers
    gain: float
    apart: list[bool]
    props: bool
    again: bool = False


class _Stack(NamedTuple):
    """All candidates, one feature after the other, and what holds of them on every bicycle.

    Attributes:
        candidates: those of one feature together.
        places: where each candidate of the table stands among them.
        chances: of all candidates of a feature, one below the other.
        rows: where each candidate's outcomes stand among all.
        starts: the first of them.
        entropy: of each candidate's outcome (rows), once the value of its feature is known (columns, of all features
            side by side), in bits.
    """

    candidates: tuple[Candidate, ...]
    places: tuple[int, ...]
    chances: dict[FeatureName, Numbers]
    rows: tuple[slice, ...]
    starts: Places
    entropy: Numbers


class _Ahead(NamedTuple):
    """What is to be expected of every candidate if the leading shell is right.

    Attributes:
        decibans: against each family (columns).
        likeliest: probability on each shell (columns) of what the candidate most likely reads on the leading one.
    """

    decibans: Numbers
    likeliest: Numbers


@cache
def _stack() -> _Stack:
    of_table = candidates()
    features = list(dict.fromkeys(each.feature for each in of_table))
    stacked = sorted(of_table, key=lambda each: features.index(each.feature))
    tables = {name: [each.chances for each in stacked if each.feature == name] for name in features}
    ends = [*accumulate((len(each.chances) for each in stacked), initial=0)]
    return _Stack(
        candidates=tuple(stacked),
        places=tuple(stacked.index(each) for each in of_table),
        chances={name: fixed(np.vstack(of_it)) for name, of_it in tables.items()},
        rows=tuple(slice(*rows) for rows in pairwise(ends)),
        starts=np.array(ends[:-1]),
        entropy=fixed([np.concatenate([_entropy(each, name) for name in FEATURES]) for each in stacked]),
    )


def _entropy(candidate: Candidate, feature: FeatureName) -> Numbers:
    """Entropy in bits of a candidate's outcome for each value of a feature; 0 where it does not tell of it."""
    if candidate.feature != feature:
        return np.zeros(FEATURES[feature].values)
    entropy: Numbers = -(candidate.chances * np.log2(candidate.chances)).sum(axis=0)
    return entropy


@lru_cache(maxsize=len(SHELLS))
def _ahead(leader: int) -> _Ahead:
    """By the leading shell's place in ``SHELLS``."""
    decibans, likeliest = [], []
    for candidate in _stack().candidates:
        of_shell = FEATURES[candidate.feature].of_shell
        ours = candidate.chances[:, of_shell[leader]]
        theirs = candidate.chances[:, of_shell[UNTOUCHED[:, 0]]]
        decibans.append(DECIBANS * (ours @ np.log(ours[:, None] / theirs)))
        likeliest.append(candidate.chances[ours.argmax()][of_shell])
    return _Ahead(fixed(decibans), fixed(likeliest))


def prospects(base: Posterior) -> list[Prospect]:
    """What every candidate promises, in their order.

    The information is the entropy of the outcome less what is left of it once the shell is known.
    """
    stack, ahead = _stack(), _ahead(base.at)
    by_feature = [np.einsum("ov,v->o", rows, base.by_feature(name)) for name, rows in stack.chances.items()]
    outcome = np.concatenate(by_feature)
    bits = -np.add.reduceat(outcome * np.log2(outcome), stack.starts)
    gains: list[float] = (bits - stack.entropy @ base.by_features).tolist()
    apart: list[list[bool]] = (ahead.decibans + base.separation >= DECISIVE).tolist()
    props = _props(ahead, base)
    return [
        Prospect(stack.candidates[at], base, outcome[stack.rows[at]], gains[at], apart[at], props[at])
        for at in stack.places
    ]


def _props(ahead: _Ahead, base: Posterior) -> list[bool]:
    leans_on = list(leaning(base))
    weights = ahead.likeliest[:, None] * base.probabilities_without[leans_on]
    props: list[bool] = np.all(survives(weights, base.pair), axis=1).tolist()
    return props
