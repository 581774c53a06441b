"""A year of jobs in an invented workshop: what is true of each, and how it would be read and made, drawn from a seed.

Everything is drawn before anything is chosen, so that every way of choosing meets the very same bicycles, spindles and
slips. None of it is taken from the service's own constants; what the page says of it stands here.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from cotterline.bench.quantity import Reading
from cotterline.bench.spindle.question import ShellForSpindle

MOST_TRIALS: Final = 6
"""Spindles after which a job is given up."""

READINGS_EACH: Final = 3
"""Readings of one chain line that are drawn: the first, and two more where it is doubted."""

SHELLS: Final = (ShellForSpindle(family="iso_english", width=68), ShellForSpindle(family="italian", width=70))
RULER_SD: Final = 0.5
CALIPER_SD: Final = 0.2
CALIPER_SHARE: Final = 0.3
MISREAD_SHARE: Final = 0.02
MISREAD_SPAN: Final = (5.0, 15.0)
LENGTH_SD: Final = 0.25
SEATING_SD: Final = 0.3
SEAT_SD: Final = 0.2
COTTERS_SD: Final = 5.0
"""By how much the cotters' distance misses the square spindle that would be right, mm of length."""

TARGETS: Final = {1: (40.0, 46.0), 2: (42.0, 48.0), 3: (44.0, 50.0)}
"""Where the old rings stood, by how many rings the crank carries."""

MODELS: Final = 40
KIND_MEANS: Final = {1: -14.0, 2: -11.5, 3: -9.0}
"""Mean offset of cranks by how many rings they carry."""

BETWEEN_MODELS: Final = 1.8
ONE_OF_A_MODEL: Final = 0.3
"""How far two cranks of one model differ, which no learning takes away."""

ZIPF: Final = 1.0
"""How often the n-th commonest model comes: as 1 / n to this power."""

Tool = Literal["ruler", "caliper"]


@dataclass(frozen=True, slots=True)
class CrankModel:
    """A model of crank: its name, its rings and its true mean offset."""

    name: str
    rings: int
    offset: float


@dataclass(frozen=True, slots=True)
class Trial:
    """What comes with one spindle: how much longer it is than marked, how the arm draws on, and how it is read."""

    longer: float
    drawn_on: float
    misses: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One bicycle.

    Attributes:
        crank: the model to be fitted.
        offset: of this very crank, and where its unit sits in this frame.
        shell: its shell.
        target: where the old rings truly stood.
        old_lines: as that is read, for the first, second and third time.
        cotters: the distance between the old cotters, as read with a ruler.
        tool: with which fitted chain lines are read.
        trials: for each spindle that may be tried.
    """

    crank: CrankModel
    offset: float
    shell: ShellForSpindle
    target: float
    old_lines: tuple[Reading, ...]
    cotters: Reading
    tool: Tool
    trials: tuple[Trial, ...]

    def truth(self, trial: int, length: float) -> float:
        """The true chain line with that spindle."""
        with_it = self.trials[trial]
        return self.offset + (length + with_it.longer) / 2 + with_it.drawn_on

    def lines(self, trial: int, length: float) -> tuple[Reading, ...]:
        """What is read of it, for the first, second and third time."""
        true = self.truth(trial, length)
        return tuple(reading(true + miss, self.tool) for miss in self.trials[trial].misses)


def reading(value: float, tool: Tool) -> Reading:
    """A ruler is read to whole mm, a caliper to tenths; a caliper around a frame is not good to its usual tenth."""
    if tool == "ruler":
        return Reading(value=float(round(value)))
    return Reading(value=round(value, 1), tool="caliper", plus_minus=2 * CALIPER_SD)


def middle(readings: Sequence[Reading]) -> Reading:
    """The middle one of three."""
    return sorted(readings, key=lambda each: each.mm)[1]


def year(seed: int, jobs: int) -> Iterator[Job]:
    """The jobs of a year, in order; the first of a longer year are those of a shorter one."""
    chance = np.random.default_rng(seed)
    models = tuple(_models(chance))
    odds = 1 / np.arange(1, MODELS + 1) ** ZIPF
    odds /= odds.sum()
    for _ in range(jobs):
        crank = models[chance.choice(MODELS, p=odds)]
        offset = crank.offset + chance.normal(0, ONE_OF_A_MODEL) + chance.normal(0, SEAT_SD)
        target = chance.uniform(*TARGETS[crank.rings])
        tool: Tool = "caliper" if chance.random() < CALIPER_SHARE else "ruler"
        yield Job(
            crank=crank,
            offset=offset,
            shell=SHELLS[int(chance.random() < 0.3)],
            target=target,
            old_lines=tuple(reading(target + _miss(chance, "ruler"), "ruler") for _ in range(READINGS_EACH)),
            cotters=reading(2 * (target - offset) + chance.normal(0, COTTERS_SD), "ruler"),
            tool=tool,
            trials=tuple(_trial(chance, tool) for _ in range(MOST_TRIALS)),
        )


def _models(chance: np.random.Generator) -> Iterator[CrankModel]:
    """Kinds come in turn, so that common and rare models are of every kind."""
    for number in range(MODELS):
        rings = 1 + number % 3
        yield CrankModel(f"Crank {number + 1}", rings, KIND_MEANS[rings] + chance.normal(0, BETWEEN_MODELS))


def _trial(chance: np.random.Generator, tool: Tool) -> Trial:
    return Trial(
        longer=chance.normal(0, LENGTH_SD),
        drawn_on=chance.normal(0, SEATING_SD),
        misses=tuple(_miss(chance, tool) for _ in range(READINGS_EACH)),
    )


def _miss(chance: np.random.Generator, tool: Tool) -> float:
    """By how much a reading misses, before it is rounded; only rulers are held to a wrong mark."""
    miss = chance.normal(0, RULER_SD if tool == "ruler" else CALIPER_SD)
    slips, size, sign = chance.random() < MISREAD_SHARE, chance.uniform(*MISREAD_SPAN), chance.choice([-1, 1])
    return float(miss + sign * size) if slips and tool == "ruler" else float(miss)
