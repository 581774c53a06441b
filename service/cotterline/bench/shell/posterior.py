"""From evidence to probabilities over whole shells: Bayes' rule over a finite set of hypotheses.

Weights of evidence are in decibans, ten times the decimal logarithm of the factor by which the odds change
(I. J. Good, Probability and the Weighing of Evidence, 1950).
"""

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

from cotterline.bench.quantity import Side
from cotterline.bench.shell.evidence import BACKGROUND, Evidence, kind, side
from cotterline.bench.shell.families import SHELLS, Family, FamilyId, Shell
from cotterline.bench.shell.likelihood import likelihoods, readable
from cotterline.bench.shell.prior import background, weights

DECIBANS = 10 / math.log(10)
"""Decibans in one unit of natural logarithm."""

DECISIVE = 10 * math.log10(20)
"""Decibans from which one observation, or a set of them, tells two shells apart: odds of 20 to 1. A convention."""


def log_sum(logs: Iterable[float]) -> float:
    """Logarithm of the sum of exponentials, without overflow; minus infinity for none."""
    values = list(logs)
    top = max(values, default=-math.inf)
    if top == -math.inf:
        return top
    return top + math.log(math.fsum(math.exp(value - top) for value in values))


@dataclass(frozen=True)
class Posterior:
    """Probabilities of every shell in ``SHELLS`` after the evidence.

    Readings of one kind on one side count once, as the mean of their log-likelihoods: a reading taken twice with the
    same tool is not new evidence. A stamp nobody knows is no reading. Everything else is independent given the shell.
    """

    evidence: tuple[Evidence, ...]

    @cached_property
    def log_by_kind(self) -> dict[str, list[tuple[float, ...]]]:
        """Log-likelihoods of what was observed, on each shell: by kind, and within a kind one row a side."""
        groups: dict[tuple[str, str], list[Evidence]] = defaultdict(list)
        for item in self.evidence:
            if readable(item):
                groups[kind(item), side(item) or ""].append(item)
        rows: dict[str, list[tuple[float, ...]]] = defaultdict(list)
        for (name, _), items in sorted(groups.items()):
            logs = [[math.log(chance.total) for chance in likelihoods(item)] for item in items]
            rows[name].append(tuple(math.fsum(column) / len(items) for column in zip(*logs, strict=True)))
        return rows

    @cached_property
    def log_likelihood(self) -> tuple[float, ...]:
        """Log-likelihood of all observations on each shell."""
        rows = [row for rows in self.log_by_kind.values() for row in rows]
        return tuple(math.fsum(row[index] for row in rows) for index in range(len(SHELLS)))

    @cached_property
    def log_joint(self) -> tuple[float, ...]:
        """Log of prior weight times likelihood, each shell."""
        prior = weights(background(self.evidence))
        return tuple(math.log(weight) + log for weight, log in zip(prior, self.log_likelihood, strict=True))

    @cached_property
    def probabilities(self) -> tuple[float, ...]:
        """Probability of each shell; they sum to one."""
        total = log_sum(self.log_joint)
        return tuple(math.exp(log - total) for log in self.log_joint)

    def probability(self, holds: Callable[[Shell], bool]) -> float:
        """Probability of all shells for which ``holds``."""
        return math.fsum(p for p, shell in zip(self.probabilities, SHELLS, strict=True) if holds(shell))

    def log10_odds(self, drive: Family, non_drive: Family) -> float:
        """Decimal log of the odds that the shell has these families on its sides, whatever its width."""
        inside = [shell.drive is drive and shell.non_drive is non_drive for shell in SHELLS]
        for_it = log_sum(log for log, wanted in zip(self.log_joint, inside, strict=True) if wanted)
        against = log_sum(log for log, wanted in zip(self.log_joint, inside, strict=True) if not wanted)
        return (for_it - against) / math.log(10)

    @cached_property
    def best_width(self) -> dict[FamilyId, int]:
        """Index of each family's untouched shell in the width that suits the observations best.

        No background and no share of widths enters: a rival has the benefit of the doubt.
        """
        best: dict[FamilyId, int] = {}
        for index, shell in enumerate(SHELLS):
            if not shell.mixed:
                at = best.setdefault(shell.drive.id, index)
                if self.log_likelihood[index] > self.log_likelihood[at]:
                    best[shell.drive.id] = index
        return best

    def separation(self, family: FamilyId, rival: FamilyId) -> float:
        """Decibans by which the observations of the shell favour ``family`` over ``rival``.

        Readings of one kind on both sides come from one eye and one tool: together they count as the better of them,
        less whatever the other says against it.
        """
        ours, theirs = self.best_width[family], self.best_width[rival]
        total = 0.0
        for rows in self.log_by_kind.values():
            gains = [row[ours] - row[theirs] for row in rows]
            total += max(0.0, *gains) + min(0.0, *gains)
        return total * DECIBANS

    @cached_property
    def width_separation(self) -> float:
        """Decibans by which the width readings favour the leading width over the family's next best one."""
        leader = self.leader
        logs = {
            shell.width: log
            for shell, log in zip(SHELLS, self.log_likelihood, strict=True)
            if shell.drive is leader.drive and shell.non_drive is leader.non_drive
        }
        others = [log for width, log in logs.items() if width != leader.width]
        return (logs[leader.width] - max(others, default=-math.inf)) * DECIBANS

    @cached_property
    def retapped_side(self) -> Side | None:
        """The side the observations say was cut over, by more than 2 to 1 against an untouched shell; else None."""
        leader = self.leader
        logs = {
            (shell.drive is not leader.original, shell.non_drive is not leader.original): log
            for shell, log in zip(SHELLS, self.log_likelihood, strict=True)
            if shell.original is leader.original and shell.width == leader.width
        }
        untouched = logs[False, False] + math.log(2)
        sides: list[tuple[float, Side]] = [
            (logs.get((True, False), -math.inf), "drive"),
            (logs.get((False, True), -math.inf), "non_drive"),
        ]
        log, side_cut = max(sides)
        return side_cut if log > untouched else None

    @cached_property
    def leader(self) -> Shell:
        """The most probable shell, width included; among equals the first in ``SHELLS``."""
        best = max(range(len(SHELLS)), key=lambda index: self.pair_probability(SHELLS[index]))
        pair = SHELLS[best]
        same = [i for i, s in enumerate(SHELLS) if s.drive is pair.drive and s.non_drive is pair.non_drive]
        return SHELLS[max(same, key=self.probabilities.__getitem__)]

    def pair_probability(self, shell: Shell) -> float:
        """Probability that the shell has the same families on its sides as ``shell``, whatever its width."""
        return self.pairs[shell.drive.id, shell.non_drive.id]

    @cached_property
    def width_probability(self) -> float:
        """Probability of the leading shell's nominal width, whatever the thread."""
        width = self.leader.width
        return self.probability(lambda shell: shell.width == width)

    @cached_property
    def pairs(self) -> dict[tuple[FamilyId, FamilyId], float]:
        """Probability of every pair of families on the two sides, whatever the width."""
        pairs: dict[tuple[FamilyId, FamilyId], float] = defaultdict(float)
        for shell, p in zip(SHELLS, self.probabilities, strict=True):
            pairs[shell.drive.id, shell.non_drive.id] += p
        return pairs

    @cached_property
    def leave_one_out(self) -> tuple["Posterior", ...]:
        """The same with each item of evidence left out in turn."""
        return tuple(
            Posterior(self.evidence[:index] + self.evidence[index + 1 :]) for index in range(len(self.evidence))
        )


def posterior(evidence: Sequence[Evidence]) -> Posterior:
    """Probabilities after ``evidence``, in whatever order it comes."""
    return Posterior(tuple(evidence))


def is_background(item: Evidence) -> bool:
    """Whether an item speaks of the bicycle rather than its shell."""
    return isinstance(item, BACKGROUND)
