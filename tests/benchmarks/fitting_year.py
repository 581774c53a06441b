"""A simulated year of fittings by three ways of choosing a spindle: ``python -m tests.benchmarks.fitting_year``.

By the rule of thumb alone, by the service without learning, and by the service with learning, on the very same bicycles
(``invented_year.py``), through the same code that answers a request. Renews what is computed of ``learning.md``.
"""

import statistics
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import click
from msgspec import UnsetType

from cotterline.bench import fit_reports
from cotterline.bench.chain.methods import MeasuredChainLine
from cotterline.bench.derivation import Trace
from cotterline.bench.fit.fitted import fitted
from cotterline.bench.fit.fitting import Fitting
from cotterline.bench.fit.report import FitReportRequest
from cotterline.bench.fit.result import FitResult
from cotterline.bench.quantity import Reading
from cotterline.bench.shop import ShopSettings
from cotterline.bench.spindle.aim import OldChainLine
from cotterline.bench.spindle.crank import CotterDistance
from cotterline.bench.spindle.ladder import ladder
from cotterline.bench.spindle.offset import OffsetReport
from cotterline.bench.spindle.question import SpindleQuestion
from cotterline.bench.spindle_options import SpindleResult, options
from tests.benchmarks.invented_year import MOST_TRIALS, Job, middle, year
from tests.benchmarks.learning_page import PAGE, assumed, example, with_section

JOBS: Final = 2000
SEED: Final = 1876
SETTINGS: Final = ShopSettings()
TOLERANCE: Final = SETTINGS.chain_line_tolerance_mm
SEEN_BEFORE: Final = (
    (0, 0, "never"),
    (1, 4, "1 to 4 times"),
    (5, 19, "5 to 19 times"),
    (20, 10_000, "20 times or more"),
)

_SILENT: Final = Trace(wanted=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How one job went.

    Attributes:
        orders: spindles that were ordered for it, one after the other.
        right_at_once: whether the first one truly lay within the tolerance.
        passed: whether the last one was judged to, by what was read.
        residual: true chain line less true target, in the end.
        seen: how many jobs with this model of crank there were before.
    """

    orders: int
    right_at_once: bool
    passed: bool
    residual: float
    seen: int

    @property
    def passed_though_out(self) -> bool:
        """Whether it left the stand beyond the tolerance and nobody knew."""
        return self.passed and abs(self.residual) > TOLERANCE


class Next(NamedTuple):
    """What is made of a fitted spindle: whether it passed, and which is to be tried next, if any is better."""

    passed: bool
    length: float | None


class Thumb:
    """A square spindle as long as the cotters were apart; after a miss, twice the measured error shorter or longer."""

    def first(self, job: Job) -> float:
        """The stocked length nearest to the cotters' distance."""
        return _nearest(job, job.cotters.mm)

    def after(self, job: Job, trial: int, length: float) -> Next:
        """What is next."""
        missed = job.lines(trial, length)[0].mm - job.old_lines[0].mm
        passed = abs(missed) <= TOLERANCE
        return Next(passed, None if passed else _nearest(job, length - 2 * missed, but=length))


def _nearest(job: Job, wanted: float, but: float = 0.0) -> float:
    lengths = ladder(job.shell.family, job.shell.width, SETTINGS).lengths
    return min((each for each in lengths if each != but), key=lambda each: (abs(each - wanted), each))


class Service:
    """What the service says: its first choice, its judgement of the fitted chain line, its next spindle.

    Where it doubts a reading, two more are taken and the middle one of the three counts.
    """

    def __init__(self, *, learning: bool) -> None:
        self._learning = learning
        self._offsets: list[OffsetReport] = []
        self._asked: Fitting

    def first(self, job: Job) -> float:
        """The first choice for what is known of the bicycle."""
        self._asked = self._fitting(job, job.old_lines[0])
        found = self._options()
        if "reports-disagree" in {caution.code for caution in found.cautions}:
            self._asked = self._fitting(job, middle(job.old_lines))
            found = self._options()
        return found.first.spindle_length.value

    def after(self, job: Job, trial: int, length: float) -> Next:
        """What is next."""
        lines = job.lines(trial, length)
        result = self._judged(length, lines[0])
        if result.predicted.misreading_suspected:
            result = self._judged(length, middle(lines))
        if self._learning and isinstance(result.offset, OffsetReport):
            self._offsets.append(result.offset)
        better = result.next_spindle
        following = None if isinstance(better, UnsetType) else better.option.spindle_length.value
        return Next(result.outcome == "passed", following)

    def _options(self) -> SpindleResult:
        asked = self._asked
        return options(asked.question, asked.shell, asked.settings, _SILENT, offsets=asked.offsets)

    def _judged(self, length: float, line: Reading) -> FitResult:
        report = FitReportRequest(chain_lines=(MeasuredChainLine(chain_line=line),), spindle_length_mm=length)
        fit = fitted(self._asked, report, [length], _SILENT)
        return fit_reports._judged(fit, report, [length], _SILENT)

    def _fitting(self, job: Job, old_line: Reading) -> Fitting:
        old = OldChainLine(measurement=MeasuredChainLine(chain_line=old_line))
        crank = CotterDistance(model=job.crank.name, rings=job.crank.rings, taper="jis", distance=job.cotters)
        question = SpindleQuestion(target=old, crank=crank)
        return Fitting(question=question, shell=job.shell, settings=SETTINGS, offsets=tuple(self._offsets))


Way = Thumb | Service
WAYS: Final[dict[str, Callable[[], Way]]] = {
    "rule of thumb": Thumb,
    "service, no learning": lambda: Service(learning=False),
    "service, learning": lambda: Service(learning=True),
}


def worked(jobs: Iterable[Job], way: Way) -> list[Outcome]:
    """Every job of a year, one after the other, by one way of choosing."""
    seen: Counter[str] = Counter()
    outcomes = []
    for job in jobs:
        outcomes.append(_one(job, way, seen[job.crank.name]))
        seen[job.crank.name] += 1
    return outcomes


def _one(job: Job, way: Way, seen: int) -> Outcome:
    length = way.first(job)
    at_once = abs(job.truth(0, length) - job.target) <= TOLERANCE
    trial = 0
    found = way.after(job, trial, length)
    while not found.passed and found.length is not None and trial + 1 < MOST_TRIALS:
        trial, length = trial + 1, found.length
        found = way.after(job, trial, length)
    return Outcome(
        orders=trial + 1,
        right_at_once=at_once,
        passed=found.passed,
        residual=job.truth(trial, length) - job.target,
        seen=seen,
    )


def share(outcomes: Sequence[Outcome], holds: Callable[[Outcome], bool]) -> float:
    """How many of them, in percent."""
    return 100 * sum(map(holds, outcomes)) / len(outcomes)


def right_at_once(outcomes: Sequence[Outcome]) -> float:
    """Percent of jobs whose first spindle was right."""
    return share(outcomes, lambda each: each.right_at_once)


def orders(outcomes: Sequence[Outcome]) -> float:
    """Spindles a job."""
    return statistics.fmean(each.orders for each in outcomes)


def passed_though_out(outcomes: Sequence[Outcome]) -> float:
    """Percent of jobs that left beyond the tolerance and nobody knew."""
    return share(outcomes, lambda each: each.passed_though_out)


def off(outcomes: Sequence[Outcome]) -> float:
    """Mean distance from the true target in the end, mm."""
    return statistics.fmean(abs(each.residual) for each in outcomes)


def quarters(outcomes: Sequence[Outcome]) -> list[Sequence[Outcome]]:
    """The four quarters of the year."""
    size = len(outcomes) // 4
    return [outcomes[place * size : (place + 1) * size] for place in range(4)]


def tables(by_way: dict[str, list[Outcome]]) -> str:
    """The year in words and numbers, as the page has it."""
    jobs = len(next(iter(by_way.values())))
    lines = [
        f"{jobs} jobs, seed {SEED}.",
        "",
        "| way of choosing | right at once | spindles a job | passed though out | never passed | off in the end |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for name, found in by_way.items():
        figures = f"{right_at_once(found):.1f} % | {orders(found):.2f} | {passed_though_out(found):.1f} %"
        lines.append(
            f"| {name} | {figures} | {share(found, lambda each: not each.passed):.1f} % | {off(found):.2f} mm |"
        )
    lines += ["", "Right at once, by quarter of the year:", "", "| way of choosing | 1st | 2nd | 3rd | 4th |"]
    lines.append("| --- | --- | --- | --- | --- |")
    for name, found in by_way.items():
        lines.append(f"| {name} | {' | '.join(f'{right_at_once(part):.1f} %' for part in quarters(found))} |")
    lines += ["", "Right at once, by how often the model of crank was fitted before:", ""]
    lines.append(f"| way of choosing | {' | '.join(words for *_, words in SEEN_BEFORE)} |")
    lines.append(f"| --- |{' --- |' * len(SEEN_BEFORE)}")
    for name, found in by_way.items():
        parts = [[each for each in found if low <= each.seen <= high] for low, high, _ in SEEN_BEFORE]
        told = [f"{right_at_once(part):.1f} % of {len(part)}" if part else "none" for part in parts]
        lines.append(f"| {name} | {' | '.join(told)} |")
    return "\n".join(lines)


def main() -> int:
    """Work the year and write its tables into the page."""
    jobs = list(year(SEED, JOBS))
    by_way = {}
    for name, way in WAYS.items():
        began = time.perf_counter()
        by_way[name] = worked(jobs, way())
        click.echo(f"{name:<24} {time.perf_counter() - began:6.1f} s", err=True)
    written = tables(by_way)
    click.echo(written)
    page = PAGE.read_text(encoding="utf-8")
    for name, text in (("example", example()), ("assumed", assumed()), ("year", written)):
        page = with_section(page, name, text)
    PAGE.write_text(page, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
