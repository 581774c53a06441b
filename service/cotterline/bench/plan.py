"""The plan of a job: what to do, in order, how long it takes, what may go wrong, and where the customer is asked.

The minutes are an exact distribution (``labour/minutes.py``). Its quantiles have no closed form; expectation and
standard deviation have, and are recorded.
"""

import math
from collections.abc import Iterator, Sequence
from typing import Final, Literal

import msgspec
from msgspec import UNSET, UnsetType

from cotterline.bench.caution import CAUTIONS, Caution
from cotterline.bench.derivation import QUIET, Trace
from cotterline.bench.errors import Fault
from cotterline.bench.labour.book import (
    DEFAULT_BOOK,
    INVENTED,
    ContingencyId,
    LabourBook,
    LabourClass,
    Minutes,
    OperationId,
    OptionId,
)
from cotterline.bench.labour.condition import ObservedFactor
from cotterline.bench.labour.facts import ASSUMPTIONS, BECAUSE, option_words
from cotterline.bench.labour.outlines import Outline
from cotterline.bench.labour.tasks import Risk, Task
from cotterline.bench.labour.work import Job, Work, note_chances, with_ordered
from cotterline.bench.parts_data import PARTS, Torque
from cotterline.bench.quantity import probability, refuse

Grade = Literal["invented", "shop", "learned", "predicted"]

_PLACES: Final = 3
_TRIANGLE: Final = "mean of a triangular distribution, times how often it is done"
_SUM: Final = "mean of a sum"
_VARIANCES: Final = "variances of independent parts add up; of a contingency by the law of total variance"


class PlanContingency(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Something that may go wrong at a step.

    Attributes:
        contingency: its id in the labour book.
        name: in words.
        chance: that it happens, each time the step is done, once its turn comes.
        book_chance: what the book says where nothing was observed.
        factors: what was observed, and by what it multiplied the odds.
        after: what it can only follow on.
        extra: minutes it takes when it happens.
        expected_extra: minutes it adds to the whole on average.
        ask: whether work stops and the customer is asked.
        question: what he is asked.
        cost: what it costs besides time.
        grade: of the chance: ``invented`` by the shipped book, the ``shop``'s own, or ``predicted``.
    """

    contingency: ContingencyId
    name: str
    chance: float
    book_chance: float
    factors: tuple[ObservedFactor, ...]
    after: ContingencyId | UnsetType = UNSET
    extra: Minutes
    expected_extra: float
    ask: bool
    question: str
    cost: Literal["none", "exchange"]
    grade: Grade


class PlanStep(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One step.

    Attributes:
        number: counted from 1.
        operation: its id in the labour book.
        name: in words.
        why: it belongs to this job.
        labour_class: which hourly rate it is charged at.
        times: how often it is done.
        minutes: of doing it once, at the shop's pace.
        expected: minutes of all times on average, if nothing goes wrong.
        tools: what is needed at hand.
        torques: what is drawn up, and how far.
        cautions: what to mind here.
        contingencies: what may go wrong.
        option: the option it is part of.
        grade: of the minutes: ``invented`` by the shipped book, the ``shop``'s own, or ``learned`` from its times.
    """

    number: int
    operation: OperationId
    name: str
    why: str
    labour_class: LabourClass
    times: int
    minutes: Minutes
    expected: float
    tools: tuple[str, ...]
    torques: tuple[Torque, ...]
    cautions: tuple[Caution, ...]
    contingencies: tuple[PlanContingency, ...]
    option: OptionId | UnsetType = UNSET
    grade: Grade


class MinuteRange(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How long something takes: whole minutes that suffice with probability 0.1, 0.5 and 0.9, and the mean."""

    p10: int
    p50: int
    p90: int
    expected: float
    sd: float


class Driver(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What one operation or contingency adds to the spread: its share of the variance of the minutes."""

    kind: Literal["operation", "contingency"]
    id: str
    name: str
    share: float


class DecisionPoint(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Where work stops and the customer is asked again.

    Attributes:
        step: number of the step it can happen at.
        contingency: its id in the labour book.
        found: what is found, in words.
        question: what the customer is asked.
        chance: that it comes to this in the job.
        extra_p50: minutes it then takes with probability 0.5, with what may follow.
        extra_p90: minutes it then takes with probability 0.9, with what may follow.
    """

    step: int
    contingency: ContingencyId
    found: str
    question: str
    chance: float
    extra_p50: int
    extra_p90: int


class JobOption(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Something the customer may add.

    Attributes:
        option: its id.
        name: in words.
        why: it is suggested for this job.
        included: whether the plan has it already.
        operations: what is done for it.
        expected: minutes by which it changes the whole on average.
        change_p90: minutes by which it changes the 0.9 quantile of the whole.
    """

    option: OptionId
    name: str
    why: str
    included: bool
    operations: tuple[OperationId, ...]
    expected: float
    change_p90: int


class Plan(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The whole work.

    Attributes:
        minutes: of all steps with all that may go wrong.
        steps: in order.
        drivers: what the spread comes from, largest share first.
        decision_points: where the customer is asked again, in order.
        options: what may be added, or is included already.
        assumptions: what the numbers take for granted, and whether they are invented.
    """

    minutes: MinuteRange
    steps: tuple[PlanStep, ...]
    drivers: tuple[Driver, ...]
    decision_points: tuple[DecisionPoint, ...]
    options: tuple[JobOption, ...]
    assumptions: tuple[str, ...]


def plan(job: Job, wanted: Sequence[OptionId], trace: Trace, pointer: str = "/options") -> Plan:
    """Plan a job.

    Args:
        job: what is known, and the labour book to plan by.
        wanted: options the customer wants.
        trace: takes chances, expectation and standard deviation.
        pointer: where ``wanted`` stands in the request.

    Raises:
        CotterlineError: ``impossible-value`` where an option is wanted that the job does not offer.

    >>> from cotterline.bench.labour.facts import JobFacts
    >>> [step.operation for step in plan(Job(facts=JobFacts(threaded=True)), (), Trace()).steps][-1]
    'report_findings'
    """
    offered = options_of(job)
    refuse(
        [
            Fault(f"{pointer}/{index}", f"{option} is no option of this job; there are: {', '.join(offered) or 'none'}")
            for index, option in enumerate(wanted)
            if option not in offered
        ]
    )
    chosen = with_ordered(job.facts, wanted)
    work = job.work(chosen)
    if trace.wanted:
        note_chances(work.tasks, job.facts, trace, two="second_spindle" in chosen)
    return Plan(
        steps=_steps(work, trace),
        minutes=_range(work, trace),
        drivers=tuple(_drivers(work)),
        decision_points=tuple(point for points in work.each(_all_points, _decision_points) for point in points),
        options=tuple(_option(option, job, wanted) for option in offered),
        assumptions=(*ASSUMPTIONS, *([INVENTED] if work.outline.once(_invented) else [])),
    )


def options_of(job: Job) -> tuple[OptionId, ...]:
    """The options that the job offers."""
    return job.outlines.offered(job.held)


def workload(job: Job, wanted: Sequence[OptionId]) -> Work:
    """The same work as ``plan`` has, for pricing."""
    return job.work(with_ordered(job.facts, wanted))


def with_and_without(option: OptionId, job: Job, wanted: Sequence[OptionId]) -> tuple[Work, Work]:
    """The whole work with an option and without it, for pricing them side by side."""
    rest = [each for each in wanted if each != option]
    without = job.with_one_length if option == "second_spindle" else job
    return workload(job, [*rest, option]), workload(without, rest)


def _steps(work: Work, trace: Trace) -> tuple[PlanStep, ...]:
    if not trace.wanted:
        return work.each(_all_steps, _step)
    return tuple(_step(task, at, work.outline, trace) for at, task in enumerate(work.tasks))


def _all_steps(outline: Outline) -> tuple[PlanStep, ...]:
    return tuple(_step(task, at, outline) for at, task in enumerate(outline.tasks))


def _step(task: Task, at: int, outline: Outline, trace: Trace = QUIET) -> PlanStep:
    row, minutes = task.row, task.minutes
    expected = trace.note(
        f"expected minutes: {row.name}",
        "(low + likely + high) / 3 * times",
        minutes.mean * row.times,
        "min",
        _TRIANGLE,
        low=minutes.low,
        likely=minutes.likely,
        high=minutes.high,
        times=row.times,
    )
    return PlanStep(
        number=at + 1,
        operation=task.id,
        name=row.name,
        why=BECAUSE[row.when],
        labour_class=row.labour_class,
        times=row.times,
        minutes=minutes,
        expected=round(expected, _PLACES),
        tools=row.tools,
        torques=tuple(torque for torque in PARTS.torques if torque.subject == row.torque),
        cautions=tuple(CAUTIONS[code] for code in row.cautions),
        contingencies=tuple(_contingency(risk, row.times * reach, trace) for risk, reach in task.walk()),
        option=row.option,
        grade=_grade(task, outline.pace.book),
    )


def _contingency(risk: Risk, turns: float, trace: Trace) -> PlanContingency:
    row = risk.row
    expected = trace.note(
        f"expected minutes: {row.name}",
        "turns * chance * (low + likely + high) / 3",
        turns * risk.chance * row.extra.mean,
        "min",
        "mean of a mixture",
        turns=turns,
        chance=risk.chance,
        low=row.extra.low,
        likely=row.extra.likely,
        high=row.extra.high,
    )
    shipped = DEFAULT_BOOK.contingencies.get(risk.id) == row
    return PlanContingency(
        contingency=risk.id,
        name=row.name,
        chance=risk.chance,
        book_chance=row.chance,
        factors=risk.factors,
        after=row.after,
        extra=row.extra,
        expected_extra=round(expected, _PLACES),
        ask=row.ask,
        question=row.question,
        cost=row.cost,
        grade="predicted" if risk.predicted else "invented" if shipped else "shop",
    )


def _grade(task: Task, book: LabourBook) -> Grade:
    if task.minutes != book.operations[task.id].minutes:
        return "learned"
    return "invented" if DEFAULT_BOOK.operations.get(task.id) == task.row else "shop"


def _invented(outline: Outline) -> bool:
    steps = outline.once(_all_steps)
    return any("invented" in {step.grade, *(item.grade for item in step.contingencies)} for step in steps)


def _range(work: Work, trace: Trace) -> MinuteRange:
    p10, p50, p90 = work.minutes.quantiles((0.1, 0.5, 0.9))
    return MinuteRange(
        p10=p10,
        p50=p50,
        p90=p90,
        expected=round(_added("expected minutes of the whole", work.means, trace), _PLACES),
        sd=round(_spread([item.variance for item in work.spreads], trace), _PLACES),
    )


def _added(name: str, terms: Sequence[float], trace: Trace) -> float:
    added = math.fsum(terms)
    if not trace.wanted:
        return added
    inputs = {f"part_{number}": term for number, term in enumerate(terms, 1)}
    return trace.note(name, " + ".join(inputs) or "0", added, "min", _SUM, **inputs)


def _spread(variances: Sequence[float], trace: Trace) -> float:
    spread = math.sqrt(math.fsum(variances))
    if not trace.wanted:
        return spread
    inputs = {f"variance_{number}": variance for number, variance in enumerate(variances, 1)}
    formula = f"sqrt({' + '.join(inputs) or '0'})"
    return trace.note("standard deviation of the whole", formula, spread, "min", _VARIANCES, **inputs)


def _drivers(work: Work) -> Iterator[Driver]:
    whole = math.fsum(item.variance for item in work.spreads)
    for item in sorted(work.spreads, key=lambda spread: -spread.variance):
        if item.variance > 0:
            yield Driver(kind=item.kind, id=item.id, name=item.name, share=probability(item.variance / whole))


def _all_points(outline: Outline) -> tuple[tuple[DecisionPoint, ...], ...]:
    return tuple(_decision_points(task, at, outline) for at, task in enumerate(outline.tasks))


def _decision_points(task: Task, at: int, _outline: Outline) -> tuple[DecisionPoint, ...]:
    found = []
    for risk, reach in task.walk():
        ever = 1 - (1 - reach * risk.chance) ** task.row.times
        if risk.row.ask and ever > 0:
            extra_p50, extra_p90 = risk.usual
            found.append(
                DecisionPoint(
                    step=at + 1,
                    contingency=risk.id,
                    found=risk.row.name,
                    question=risk.row.question,
                    chance=probability(ever),
                    extra_p50=extra_p50,
                    extra_p90=extra_p90,
                )
            )
    return tuple(found)


def _option(option: OptionId, job: Job, wanted: Sequence[OptionId]) -> JobOption:
    name, why = option_words(option, job.facts, job.held)
    with_it, without = with_and_without(option, job, wanted)
    return JobOption(
        option=option,
        name=name,
        why=why,
        included=option in with_ordered(job.facts, wanted),
        operations=job.outlines.operations_of(option, job.held),
        expected=round(with_it.mean - without.mean, _PLACES),
        change_p90=with_it.p90 - without.p90,
    )
