"""From what is known of a bicycle to its job: the facts that decide which work it needs, its plan and its estimate."""

from collections.abc import Sequence

import msgspec
from msgspec import UNSET, UnsetType

from cotterline.bench.chain.drivetrain import Drivetrain, DrivetrainResult
from cotterline.bench.derivation import QUIET, Trace
from cotterline.bench.estimates import NO_PARTS, Estimate, PlannedJob, estimate
from cotterline.bench.labour.book import OptionId
from cotterline.bench.labour.condition import JobCondition, as_it_bears
from cotterline.bench.labour.facts import JobFacts, RemedyFact
from cotterline.bench.labour.learning import learn
from cotterline.bench.labour.work import Job
from cotterline.bench.parts_list import PartsList
from cotterline.bench.plan import Plan, plan
from cotterline.bench.pricing.sourcing import SourcedParts
from cotterline.bench.quantity import probability
from cotterline.bench.shell.evidence import Bore, Evidence, OldCrank
from cotterline.bench.shell.families import FAMILIES
from cotterline.bench.shell.remedies import Remedy, ShellCondition
from cotterline.bench.spindle.order_policy import OrderPolicy, PolicyName
from cotterline.bench.spindle.question import SpindleQuestion
from cotterline.bench.spindle_options import SpindleOption, SpindleResult
from cotterline.bench.thread_verdicts import Verdict
from cotterline.bench.workshop import Workshop


class Known(msgspec.Struct, frozen=True, kw_only=True):
    """What was asked and answered about one bicycle, before its work is planned; lengths in mm.

    Attributes:
        evidence: what was observed of its shell.
        shell_condition: what else was seen of the shell.
        verdict: which shell it is.
        remedies: routes where no stock unit fits.
        question: where the new rings shall stand.
        spindle: every length and what it would do.
        advised: the lengths to order, first choice first.
        drivetrain: what the chain runs between.
        gears: how it runs.
        parts: what to order, where that is allowed.
    """

    evidence: Sequence[Evidence]
    shell_condition: ShellCondition
    verdict: Verdict
    remedies: tuple[Remedy, ...] = ()
    question: SpindleQuestion | UnsetType = UNSET
    spindle: SpindleResult | UnsetType = UNSET
    advised: Sequence[SpindleOption] = ()
    drivetrain: Drivetrain | UnsetType = UNSET
    gears: DrivetrainResult | UnsetType = UNSET
    parts: PartsList | UnsetType = UNSET


def planned_and_priced(
    known: Known, condition: JobCondition, wanted: Sequence[OptionId], workshop: Workshop, trace: Trace
) -> tuple[Plan, Estimate]:
    """Plan the work of one bicycle, and price it.

    Raises:
        CotterlineError: ``impossible-value`` where an option is wanted that the job does not offer.
    """
    if trace.wanted:
        learn(workshop.book, workshop.times, trace)
    job = Job(facts=facts_of(known), outlines=workshop.outlines, condition=as_it_bears(condition))
    parts = _parts(known, workshop)
    if trace.wanted or job.facts.ordering_allowed or job.predicts_anything:
        return _worked_out(job, tuple(wanted), parts, workshop, trace)
    found: tuple[Plan, Estimate] = workshop.remembered(_withheld, job.facts_unpredicted, job.condition, tuple(wanted))
    return found


def _withheld(
    workshop: Workshop, facts: JobFacts, condition: JobCondition, wanted: tuple[OptionId, ...]
) -> tuple[Plan, Estimate]:
    """Of a job nothing is ordered for yet and no chance of which is predicted: there are few kinds of them."""
    job = Job(facts=facts, outlines=workshop.outlines, condition=condition)
    return _worked_out(job, wanted, NO_PARTS, workshop, QUIET)


def _worked_out(
    job: Job, wanted: tuple[OptionId, ...], parts: SourcedParts, workshop: Workshop, trace: Trace
) -> tuple[Plan, Estimate]:
    steps = plan(job, wanted, trace)
    extra = _option_parts(steps, workshop)
    found = PlannedJob(job=job, plan=steps, wanted=wanted, parts=parts, option_parts=extra)
    return steps, estimate(found, workshop.prices, trace)


def facts_of(known: Known) -> JobFacts:
    """What decides which work the job needs."""
    spindle, gears = known.spindle, known.gears
    policies = _policies(spindle)
    second = policies.get("order_two_return_one")
    crank = next((item.crank for item in known.evidence if isinstance(item, OldCrank)), UNSET)
    return JobFacts(
        ordering_allowed=isinstance(known.parts, PartsList),
        old_crank=crank,
        threaded=_threaded(known),
        threads=known.shell_condition.threads,
        lengths_ordered=2 if len(known.advised) > 1 else 1,
        miss_first=probability(1 - spindle.first.probability_within) if isinstance(spindle, SpindleResult) else UNSET,
        miss_all=probability(1 - second.probability_fits) if second else UNSET,
        rings=_rings(known),
        gears_beyond_limit=gears.gears_beyond_limit if isinstance(gears, DrivetrainResult) else 0,
        chain_may_drop=_chain_may_drop(gears),
        remedies=tuple(
            RemedyFact(route=item.route, name=item.name, who=item.who)
            for item in known.remedies
            if item.finding == "holds"
        ),
    )


def _policies(spindle: SpindleResult | UnsetType) -> dict[PolicyName, OrderPolicy]:
    if isinstance(spindle, UnsetType) or isinstance(spindle.order, UnsetType):
        return {}
    return spindle.order.by_name


def _threaded(known: Known) -> bool | UnsetType:
    """As it was looked at, or else as the verdict has it once that is more than a guess."""
    looks = {item.look for item in known.evidence if isinstance(item, Bore)}
    if looks:
        return "threaded" in looks
    if known.verdict.state not in {"fit_to_order", "likely"}:
        return UNSET
    return FAMILIES[known.verdict.leading.drive].pitch is not None


def _rings(known: Known) -> int | UnsetType:
    if isinstance(known.drivetrain, Drivetrain):
        return known.drivetrain.rings.count
    if isinstance(known.question, SpindleQuestion):
        rings: int | UnsetType = getattr(known.question.crank, "rings", UNSET)
        return rings
    return UNSET


def _chain_may_drop(gears: DrivetrainResult | UnsetType) -> bool:
    if isinstance(gears, UnsetType) or isinstance(gears.drop_through, UnsetType):
        return False
    return gears.drop_through.possible


def _parts(known: Known, workshop: Workshop) -> SourcedParts:
    return workshop.market.sourced(known.parts.lines) if isinstance(known.parts, PartsList) else NO_PARTS


def _option_parts(steps: Plan, workshop: Workshop) -> dict[OptionId, SourcedParts]:
    """What an option needs that the parts list does not have."""
    if any(option.option == "new_chain" for option in steps.options):
        return {"new_chain": workshop.market.for_role("chain", "Chain")}
    return {}
