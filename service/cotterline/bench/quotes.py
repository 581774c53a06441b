"""The whole job for one bicycle in one answer: verdict, remedies, spindle, drivetrain, parts list, plan, estimate.

The parts list is withheld until the thread verdict is fit to order; everything else is said as far as it is known.
"""

from collections.abc import Sequence
from typing import Annotated, Final, TypeVar

import msgspec
from msgspec import UNSET, Meta, UnsetType

from cotterline.bench.chain.drivetrain import Drivetrain, DrivetrainResult, check_drivetrain, lay_out
from cotterline.bench.derivation import Step, Trace
from cotterline.bench.errors import CotterlineError, Fault
from cotterline.bench.estimates import Estimate
from cotterline.bench.jobs import Known, planned_and_priced
from cotterline.bench.labour.book import OptionId
from cotterline.bench.labour.condition import JobCondition
from cotterline.bench.parts_list import PartsList, parts_list, unit_thread
from cotterline.bench.plan import Plan
from cotterline.bench.quantity import COVERAGE, Length, Uncertain, in_unit, refuse
from cotterline.bench.shell.evidence import EvidenceList, OldCrank, check
from cotterline.bench.shell.families import BY_SIDES, FAMILIES
from cotterline.bench.shell.order_conditions import OrderCondition
from cotterline.bench.shell.remedies import Remedy, ShellCondition, remedies
from cotterline.bench.shop import NO_NUL, ShopSettings
from cotterline.bench.shop_profile import with_cranks
from cotterline.bench.spindle.question import ShellForSpindle, SpindleQuestion, check_question
from cotterline.bench.spindle_options import SpindleOption, SpindleResult, choose
from cotterline.bench.thread_verdicts import Verdict, weigh
from cotterline.bench.workshop import Workshop

Part = TypeVar("Part", Verdict, SpindleResult)

MAX_METADATA: Final = 20
"""Most pairs of a shop's own that a quote carries."""

Reference = Annotated[str, Meta(min_length=1, max_length=200, pattern=NO_NUL)]
MetadataName = Annotated[str, Meta(pattern=r"^[A-Za-z0-9_.:-]{1,40}(?![\s\S])")]
MetadataValue = Annotated[str, Meta(max_length=500, pattern=NO_NUL)]


class QuoteRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One bicycle as it stands on the bench.

    Attributes:
        evidence: what was observed of its shell.
        reference: the shop's own name for the job.
        metadata: the shop's own pairs of strings; kept with the quote and used by no calculation.
        shell_condition: what else was seen of the shell, for the remedies.
        spindle: where the new rings shall stand, and on which crank.
        drivetrain: rings, sprockets and chainstay, for the chain's angles with the new spindle.
        job: what can be seen of the bicycle that makes the work harder or easier.
        options: what the customer wants besides; each quote lists those it offers.
        settings: used instead of the shop's, where given.
    """

    evidence: EvidenceList
    reference: Reference | UnsetType = UNSET
    metadata: Annotated[dict[MetadataName, MetadataValue], Meta(max_length=MAX_METADATA)] | UnsetType = UNSET
    shell_condition: ShellCondition = ShellCondition()
    spindle: SpindleQuestion | UnsetType = UNSET
    drivetrain: Drivetrain | UnsetType = UNSET
    job: JobCondition = JobCondition()
    options: Annotated[tuple[OptionId, ...], Meta(max_length=7)] = ()
    settings: ShopSettings | UnsetType = UNSET


class Ordering(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Whether the parts may be ordered as listed, and what stands against it."""

    allowed: bool
    reasons: tuple[str, ...]


class QuoteResult(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The whole job.

    Attributes:
        summary: the answer in one or two sentences.
        ordering: whether the parts may be ordered, and what stands against it.
        verdict: which shell this is.
        remedies: routes where no stock unit fits, or one is rare; empty while the thread is undecided.
        spindle: every length and what it would do; advice only, while ordering is not allowed.
        drivetrain: how the chain would run on the first choice of spindle.
        parts: what to order; withheld while ordering is not allowed.
        plan: the work in order, how long it takes, and where the customer is asked again.
        estimate: what it costs as a range, and the ceiling to ask for.
        missing: what must still be told before a spindle can be named.
        settings: the settings that were used.
        derivation: how each number came about, where asked for; in mm.
    """

    summary: str
    ordering: Ordering
    verdict: Verdict
    remedies: tuple[Remedy, ...]
    missing: tuple[Fault, ...]
    settings: ShopSettings
    plan: Plan
    estimate: Estimate
    spindle: SpindleResult | UnsetType = UNSET
    drivetrain: DrivetrainResult | UnsetType = UNSET
    parts: PartsList | UnsetType = UNSET
    derivation: tuple[Step, ...] | UnsetType = UNSET


def quote(request: QuoteRequest, workshop: Workshop, trace: Trace) -> QuoteResult:
    """Do the whole job for one bicycle.

    Args:
        request: the bicycle; its own settings, where given, are used instead of the workshop's.
        workshop: whose job it is.
        trace: collects the derivation.

    Raises:
        CotterlineError: ``impossible-value`` or ``evidence-conflict``, with every fault of that kind.
    """
    settings = settings_for(request, workshop)
    request = _checked(request, workshop)
    judged = weigh(request.evidence, settings, trace)
    spindle, missing = _spindle(request, judged, workshop, trace)
    reasons = _reasons(judged, missing)
    advised = _advised(spindle, request.options)
    listed = _parts(request, judged, spindle, advised, trace) if not reasons else UNSET
    if isinstance(listed, msgspec.Struct) and not listed.orderable:
        reasons = tuple(blocker.text for blocker in listed.blockers)
        listed = UNSET
    ordering = Ordering(allowed=not reasons, reasons=reasons)
    known = Known(
        evidence=request.evidence,
        shell_condition=request.shell_condition,
        verdict=judged,
        remedies=_remedies(request, judged, trace),
        question=request.spindle,
        spindle=spindle or UNSET,
        advised=advised,
        drivetrain=request.drivetrain,
        gears=_drivetrain(request, spindle, settings, trace),
        parts=listed,
    )
    steps, priced = planned_and_priced(known, request.job, request.options, workshop, trace)
    result = QuoteResult(
        summary=_summary(judged, spindle, ordering),
        ordering=ordering,
        verdict=_bare(judged),
        remedies=known.remedies,
        spindle=_bare(spindle) if isinstance(spindle, SpindleResult) else UNSET,
        drivetrain=known.gears,
        parts=listed,
        plan=steps,
        estimate=priced,
        missing=missing,
        settings=settings,
        derivation=tuple(trace.steps) if trace.wanted else UNSET,
    )
    return in_unit(result, settings.units)


def parts_regardless(request: QuoteRequest, workshop: Workshop) -> PartsList:
    """The parts list of a bicycle whatever stands against ordering it, for an order that a person answers for.

    Args:
        request: the bicycle.
        workshop: whose job it is.

    Raises:
        CotterlineError: ``order-not-allowed`` where no spindle can be named, so that there is nothing to order;
            otherwise as :func:`quote`.
    """
    settings = settings_for(request, workshop)
    request, trace = _checked(request, workshop), Trace(wanted=False)
    judged = weigh(request.evidence, settings, trace)
    spindle, missing = _spindle(request, judged, workshop, trace)
    if FAMILIES[judged.leading.drive].pitch is None:
        raise CotterlineError(
            "order-not-allowed", f"No unit screws into a shell without a thread: {judged.leading.name}."
        )
    listed = _parts(request, judged, spindle, _advised(spindle, request.options), trace)
    if isinstance(listed, UnsetType):
        why = " ".join(fault.detail for fault in missing)
        raise CotterlineError("order-not-allowed", f"No spindle can be named, so there is nothing to order. {why}")
    return listed


def settings_for(request: QuoteRequest, workshop: Workshop) -> ShopSettings:
    """The request's own settings, or else the shop's."""
    return workshop.profile.calculation if isinstance(request.settings, UnsetType) else request.settings


def shell_of(judged: Verdict) -> ShellForSpindle:
    """The shell a spindle is chosen for: the likeliest, with the width it is taken to be."""
    return ShellForSpindle(family=judged.leading.drive, width=judged.shell_width.nominal.value)


def _checked(request: QuoteRequest, workshop: Workshop) -> QuoteRequest:
    """The request with what the shop knows of the crank, once nothing in it is wrong."""
    if isinstance(request.spindle, SpindleQuestion):
        request = msgspec.structs.replace(request, spindle=with_cranks(request.spindle, workshop.profile))
    _check(request)
    return request


def _check(request: QuoteRequest) -> None:
    """All faults of every part at once, before anything is computed."""
    faults = [fault for index, item in enumerate(request.evidence) for fault in item.faults(f"/evidence/{index}")]
    faults += request.shell_condition.faults("/shell_condition")
    if isinstance(request.spindle, SpindleQuestion):
        faults += check_question(request.spindle, "/spindle")
    if isinstance(request.drivetrain, Drivetrain):
        faults += check_drivetrain(request.drivetrain, "/drivetrain")
    for index, option in enumerate(request.options):
        if option in request.options[:index]:
            faults.append(Fault(f"/options/{index}", f"{option} is given more than once"))
    refuse(faults)
    check(request.evidence)


def _bare(part: Part) -> Part:
    """A part without its own derivation: the quote carries one for all."""
    return part if part.derivation is UNSET else msgspec.structs.replace(part, derivation=UNSET)


def _spindle(
    request: QuoteRequest, judged: Verdict, workshop: Workshop, trace: Trace
) -> tuple[SpindleResult | None, tuple[Fault, ...]]:
    if isinstance(request.spindle, UnsetType):
        return None, (Fault("/spindle", "Say where the rings shall stand and which crank is to be fitted."),)
    try:
        settings, offsets = settings_for(request, workshop), workshop.offsets
        return choose(request.spindle, shell_of(judged), settings, trace, "/spindle", offsets=offsets), ()
    except CotterlineError as error:
        if error.code != "measurement-missing":
            raise
        return None, error.faults or (Fault("/spindle", error.detail),)


def _reasons(judged: Verdict, missing: tuple[Fault, ...]) -> tuple[str, ...]:
    unmet = [condition.words for condition in judged.order_conditions if not condition.met]
    return (*unmet, *(fault.detail for fault in missing))


def _parts(
    request: QuoteRequest,
    judged: Verdict,
    spindle: SpindleResult | None,
    advised: Sequence[SpindleOption],
    trace: Trace,
) -> PartsList | UnsetType:
    if spindle is None:
        return UNSET
    cottered = any(isinstance(item, OldCrank) and item.crank == "cottered" for item in request.evidence)
    thread = unit_thread(FAMILIES[judged.leading.drive])
    return parts_list(thread, spindle, trace, advised, cottered=cottered)


def _advised(spindle: SpindleResult | None, wanted: Sequence[OptionId]) -> list[SpindleOption]:
    """The lengths to order, first choice first: two where the customer wants that, or else as the policy has it."""
    if spindle is None or isinstance(spindle.order, UnsetType):
        return []
    policies = spindle.order.by_name
    chosen = spindle.order.recommended
    if "second_spindle" in wanted and "order_two_return_one" in policies:
        chosen = "order_two_return_one"
    advised = {length.value for length in policies[chosen].lengths}
    return [option for option in spindle.options if option.spindle_length.value in advised]


def _remedies(request: QuoteRequest, judged: Verdict, trace: Trace) -> tuple[Remedy, ...]:
    in_stock = _stock_unit(judged).met and judged.leading.stock in {"plentiful", "shrinking"}
    if in_stock or judged.state == "undecided":
        return ()
    leader = BY_SIDES[judged.leading.drive, judged.leading.non_drive, judged.shell_width.nominal.value]
    return remedies(leader, request.shell_condition, request.evidence, trace)


def _drivetrain(
    request: QuoteRequest, spindle: SpindleResult | None, settings: ShopSettings, trace: Trace
) -> DrivetrainResult | UnsetType:
    if isinstance(request.drivetrain, UnsetType) or spindle is None:
        return UNSET
    return lay_out(_as_predicted(spindle.first.chain_line), request.drivetrain, settings, trace)


def _as_predicted(chain_line: Length) -> Uncertain:
    spread = chain_line.plus_minus
    sd = 0.0 if isinstance(spread, UnsetType) else spread / COVERAGE
    return Uncertain.of(chain_line.value, sd, "predicted chain line")


def _summary(judged: Verdict, spindle: SpindleResult | None, ordering: Ordering) -> str:
    leading, width = judged.leading, judged.shell_width.nominal.value
    first = f"{leading.name}, {width:g} mm: {judged.state.replace('_', ' ')} ({leading.probability:.1%})."
    if spindle is not None:
        beside = [o for o in (spindle.next_shorter, spindle.next_longer) if not isinstance(o, UnsetType)]
        lengths = " and ".join(f"{option.spindle_length.value:g}" for option in beside)
        first += f" Spindle {spindle.first.spindle_length.value:g} mm first, {lengths} beside it."
    if ordering.allowed:
        return first
    stock = _stock_unit(judged)
    if judged.state == "likely" and not stock.met:
        return f"{first} Not to be ordered. {stock.words}"
    if judged.next_measurements:
        return f"{first} Not to be ordered yet. Next: {judged.next_measurements[0].how}"
    return f"{first} Not to be ordered: {ordering.reasons[0]}"


def _stock_unit(judged: Verdict) -> OrderCondition:
    return next(condition for condition in judged.order_conditions if condition.condition == "stock_unit_exists")
