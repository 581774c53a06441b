"""What every measurement that can be taken promises on one bicycle.

All that tell of one feature of a shell are reckoned at once: what holds of them on every bicycle is kept, and what is
known of the bicycle enters as the probability of each value of that feature.
"""

import math
from collections.abc import Sequence
from functools import cache
from itertools import accumulate, pairwise
from typing import NamedTuple

import numpy as np

from cotterline.bench.shell.features import FEATURES, UNTOUCHED, FeatureName, Numbers, fixed
from cotterline.bench.shell.order_conditions import leaning, survives
from cotterline.bench.shell.outcomes import Candidate, candidates
from cotterline.bench.shell.posterior import DECIBANS, DECISIVE, Posterior


class Group(NamedTuple):
    """Candidates that tell of one feature, and all that holds of them on every bicycle.

    Attributes:
        feature: which.
        places: of them among all candidates.
        chances: of all of them, one below the other.
        rows: where each one's stand.
        entropy: of a candidate's outcome (rows) once the value is known (columns), in bits.
        decibans: expected of a candidate, where a value is right (second axis), against each family (third).
        likeliest: the row of a candidate's chances that is likeliest, where a value is right (second axis).
    """

    feature: FeatureName
    places: tuple[int, ...]
    chances: Numbers
    rows: tuple[slice, ...]
    entropy: Numbers
    decibans: Numbers
    likeliest: Numbers


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


@cache
def _groups() -> tuple[Group, ...]:
    """All candidates by the feature they tell of."""
    all_of_them = candidates()
    return tuple(_group(feature, all_of_them) for feature in dict.fromkeys(each.feature for each in all_of_them))


def _group(feature: FeatureName, all_of_them: Sequence[Candidate]) -> Group:
    places = tuple(place for place, each in enumerate(all_of_them) if each.feature == feature)
    tables = [all_of_them[place].chances for place in places]
    known = np.array([(table * np.log(table)).sum(axis=0) for table in tables])
    first_of_family = FEATURES[feature].of_shell[UNTOUCHED[:, 0]]
    taken_for = np.array([table.T @ np.log(table)[:, first_of_family] for table in tables])
    ends = [*accumulate(map(len, tables), initial=0)]
    return Group(
        feature,
        places,
        chances=fixed(np.vstack(tables)),
        rows=tuple(slice(*rows) for rows in pairwise(ends)),
        entropy=fixed(-known / math.log(2)),
        decibans=fixed((known[:, :, None] - taken_for) * DECIBANS),
        likeliest=fixed([table[table.argmax(axis=0)] for table in tables]),
    )


def prospects(base: Posterior) -> list[Prospect]:
    """What every candidate promises, in their order.

    The information is the entropy of the outcome less what is left of it once the shell is known.
    """
    all_of_them = candidates()
    found: dict[int, Prospect] = {}
    for group in _groups():
        values, value = base.by_feature(group.feature), FEATURES[group.feature].of_shell[base.at]
        outcome = np.einsum("ov,v->o", group.chances, values)
        bits = np.add.reduceat(-outcome * np.log2(outcome), [rows.start for rows in group.rows])
        gains = (bits - group.entropy @ values).tolist()
        apart: list[list[bool]] = (group.decibans[:, value] + base.separation >= DECISIVE).tolist()
        props = _props(group, base, value)
        for at, place in enumerate(group.places):
            found[place] = Prospect(all_of_them[place], base, outcome[group.rows[at]], gains[at], apart[at], props[at])
    return [found[place] for place in range(len(all_of_them))]


def _props(group: Group, base: Posterior, value: int) -> list[bool]:
    leans_on = leaning(base)
    if not leans_on:
        return [True] * len(group.places)
    likeliest = group.likeliest[:, value][:, FEATURES[group.feature].of_shell]
    weights = likeliest[:, None] * base.probabilities_without[list(leans_on)]
    props: list[bool] = np.all(survives(weights, base.pair), axis=1).tolist()
    return props
