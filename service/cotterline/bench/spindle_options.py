"""Which spindle: every length the shop can get, where it would put the rings, and which to order.

An arm moves outwards by half of what a symmetric spindle gains in length, by half of what its right end gains over
its left, and by whatever moves the unit in the shell or the arm on its end. Every reading's error stays under its own
name, so one that enters both the target and the crank's reference cancels where the two are compared.
"""

from collections.abc import Sequence
from functools import cached_property

import msgspec

from cotterline.bench.caution import Caution
from cotterline.bench.chain.chainline import assumptions
from cotterline.bench.chain.methods import NominalChainLine
from cotterline.bench.derivation import Step, Trace
from cotterline.bench.quantity import COVERAGE, Errors, Length, Uncertain, in_unit, probability, refuse, within
from cotterline.bench.shop import ShopSettings
from cotterline.bench.spindle import clearance
from cotterline.bench.spindle.aim import Aim, MatchRear, NominalAim, OldChainLine, target
from cotterline.bench.spindle.cautions import SpindleCaution, cautions
from cotterline.bench.spindle.clearance import Clearance, Limits
from cotterline.bench.spindle.crank import Baseline, BaselineSource
from cotterline.bench.spindle.known_crank import KnownCrank, LearnedCrank, known_crank
from cotterline.bench.spindle.ladder import Ladder, ladder
from cotterline.bench.spindle.offset import OffsetReport
from cotterline.bench.spindle.order_policy import Candidate, Landing, OrderAdvice, OrderCosts, advise, better_second
from cotterline.bench.spindle.placing import Placing, SeatedUnit, note_chain_line, note_exact, placing
from cotterline.bench.spindle.question import ShellForSpindle, SpindleQuestion, SpindleRequest, check_question
from cotterline.bench.spindle.taper import TaperShift

_QUADRATURE = "JCGM 100:2008, equation 10"
_NORMAL = "normal distribution of the error, JCGM 100:2008, annex G"


class SpindleOption(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One length and what it would do.

    Attributes:
        spindle_length: overall, as ordered.
        chain_line: predicted.
        residual: predicted less target; positive is too far out.
        probability_within: that the residual truly lies within the tolerance.
        tread_change: of the distance between the arms, against the baseline's spindle.
        clearances: what else must clear.
        fouls: whether anything is predicted to touch.
    """

    spindle_length: Length
    chain_line: Length
    residual: Length
    probability_within: float
    tread_change: Length
    clearances: tuple[Clearance, ...]
    fouls: bool


class BudgetPart(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What one source of error puts into the residual, and its share of the variance."""

    source: str
    plus_minus: Length
    share: float


class StatedBaseline(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What every length is counted from.

    Attributes:
        what: ``reference spindle``; ``cotter centres`` where the old distance between the cotters stands in for one;
            ``fit reports`` where nothing else is known of the crank, and any length will do.
        spindle_length: of it.
        chain_line: of this crank on it.
        asymmetry_mm: right end minus left end of it.
    """

    what: BaselineSource
    spindle_length: Length
    chain_line: Length
    asymmetry_mm: float


class SpindleResult(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Every length, ranked, and which to order.

    Attributes:
        target: chain line to reach.
        tolerance: how far the chain line may miss it.
        baseline: what the lengths are counted from.
        exact_length: the length that would hit the target.
        first: the best length there is.
        next_shorter: the stocked length below it.
        next_longer: the stocked length above it.
        options: all of them, best first: none that fouls before one that clears, then the likeliest to land within
            the tolerance, then the least residual.
        unit: how the unit was taken to be made and seated.
        taper_shift: what a change of taper standard did, where there is one.
        learned: what fit reports said of the crank and did to the prediction, where there are any.
        ladder: where the lengths come from.
        budget: what the uncertainty of every residual is made of, greatest first.
        order: one spindle, or two and return one; left out where every length fouls.
        cautions: what to know before ordering.
        assumptions: what the chain lines take for granted about the bicycle.
        derivation: how each number came about, where asked for; in mm.
    """

    target: Length
    tolerance: Length
    baseline: StatedBaseline
    exact_length: Length
    first: SpindleOption
    next_shorter: SpindleOption | msgspec.UnsetType = msgspec.UNSET
    next_longer: SpindleOption | msgspec.UnsetType = msgspec.UNSET
    options: tuple[SpindleOption, ...]
    unit: SeatedUnit
    taper_shift: TaperShift | msgspec.UnsetType = msgspec.UNSET
    learned: LearnedCrank | msgspec.UnsetType = msgspec.UNSET
    ladder: Ladder
    budget: tuple[BudgetPart, ...]
    order: OrderAdvice | msgspec.UnsetType = msgspec.UNSET
    cautions: tuple[Caution, ...]
    assumptions: tuple[str, ...]
    derivation: tuple[Step, ...] | msgspec.UnsetType = msgspec.UNSET


class Bench(msgspec.Struct, frozen=True, kw_only=True, dict=True):
    """What every length is judged with; lengths in mm."""

    goal: Uncertain
    known: Baseline
    placing: Placing
    limits: Limits
    tolerance: float

    def residual(self, line: Uncertain) -> Uncertain:
        """A predicted chain line less the target."""
        return Uncertain(line.value - self.goal.value, self.errors)

    @cached_property
    def errors(self) -> Errors:
        """What puts error into every residual, whatever the length."""
        return (self.placing.chain_line(0.0) - self.goal).parts

    def candidate(self, option: SpindleOption) -> Candidate:
        """The option as the order policy sees it, residual unrounded."""
        length = option.spindle_length.value
        return Candidate(length, self.placing.chain_line(length).value - self.goal.value)


def rank(
    request: SpindleRequest, shop: ShopSettings, trace: Trace, offsets: Sequence[OffsetReport] = ()
) -> SpindleResult:
    """The answer to a request, in the unit its settings, or else the shop's, ask for."""
    settings = shop if isinstance(request.settings, msgspec.UnsetType) else request.settings
    found = options(request.question, request.shell, settings, trace, "/question", offsets=offsets)
    return in_unit(found, settings.units)


def options(  # noqa: PLR0913 - a place for faults and what was learned, beside the four that make the question
    question: SpindleQuestion,
    shell: ShellForSpindle,
    settings: ShopSettings,
    trace: Trace,
    pointer: str = "",
    *,
    offsets: Sequence[OffsetReport] = (),
) -> SpindleResult:
    """Every length for this shell, ranked, and which to order; lengths in mm.

    Args:
        question: the chain line to reach, the crank, the unit and what stands near it.
        shell: decided thread family and nominal width.
        settings: tolerance, taper convention, clearances and stocked lengths are used.
        trace: collects the derivation.
        pointer: where the question stands in the request, for faults.
        offsets: of cranks that were fitted and measured.

    Raises:
        CotterlineError: ``impossible-value`` where a value cannot be right, ``measurement-missing`` where no length
            can be told without another measurement.

    The published case of a crank at 46 mm on a 122 mm spindle that shall come to 43.5 mm: "5 shorter, not 2.5"
    (rennrad-news.de, thread 175039).

    >>> from cotterline.bench.spindle.aim import StatedAim
    >>> from cotterline.bench.chain.methods import MeasuredChainLine
    >>> from cotterline.bench.spindle.crank import ReferencePair
    >>> from cotterline.bench.quantity import Reading
    >>> at_46 = MeasuredChainLine(chain_line=Reading(value=46))
    >>> question = SpindleQuestion(
    ...     target=StatedAim(chain_line=Reading(value=43.5)),
    ...     crank=ReferencePair(spindle_length=Reading(value=122), chain_line=at_46),
    ... )
    >>> shell = ShellForSpindle(family="iso_english", width=68)
    >>> options(question, shell, ShopSettings(), Trace()).exact_length.value
    117.0
    """
    refuse(list(check_question(question, pointer)))
    return choose(question, shell, settings, trace, pointer, offsets=offsets)


def choose(  # noqa: PLR0913 - as options
    question: SpindleQuestion,
    shell: ShellForSpindle,
    settings: ShopSettings,
    trace: Trace,
    pointer: str = "",
    *,
    offsets: Sequence[OffsetReport] = (),
) -> SpindleResult:
    """As ``options``, for a question that has been checked."""
    start = len(trace.steps)
    goal = target(question.target, trace, f"{pointer}/target")
    crank = known_crank(question, offsets, settings, trace, pointer)
    place = placing(crank.baseline, question.unit, shell.width, settings, trace)
    bench = Bench(
        goal=goal,
        known=crank.baseline,
        placing=place,
        limits=clearance.limits(question.surroundings, question.target, crank.gaps_read_at, settings, trace),
        tolerance=settings.chain_line_tolerance_mm,
    )
    exact = note_exact(place, goal, trace)
    steps = ladder(shell.family, place.unit.unit_width.value, settings)
    by_length = [option_at(length, bench, trace) for length in steps.lengths]
    ranked = sorted(by_length, key=preference)
    at = by_length.index(ranked[0])
    shorter = by_length[at - 1] if at > 0 else msgspec.UNSET
    longer = by_length[at + 1] if at + 1 < len(by_length) else msgspec.UNSET
    neighbours = [item for item in (shorter, longer) if isinstance(item, SpindleOption)]
    order = _order(ranked[0], neighbours, bench, question.costs, trace)
    return SpindleResult(
        target=goal.length,
        tolerance=Length.mm(bench.tolerance),
        baseline=_stated(crank.baseline),
        exact_length=exact.length,
        first=ranked[0],
        next_shorter=shorter,
        next_longer=longer,
        options=tuple(ranked),
        unit=place.unit,
        taper_shift=place.taper_shift,
        learned=_learned(crank, place, question, settings),
        ladder=steps,
        budget=_budget(bench, trace),
        order=order,
        cautions=tuple(cautions(_found(crank, bench, steps, ranked, order))),
        assumptions=granted(question.target),
        derivation=tuple(trace.steps[start:]) if trace.wanted else msgspec.UNSET,
    )


def option_at(length: float, bench: Bench, trace: Trace) -> SpindleOption:
    """What one length would do; lengths in mm."""
    line = note_chain_line(bench.placing, length, trace)
    residual = bench.residual(line)
    clearances = clearance.NOTHING_MEASURED
    if not bench.limits.none:
        clearances = clearance.judge(bench.limits, bench.placing.position(length), trace)
    return SpindleOption(
        spindle_length=Length.mm(length),
        chain_line=line.length,
        residual=residual.length,
        probability_within=chance_within(length, residual, bench.tolerance, trace),
        tread_change=Length.mm(_tread_change(length, bench.placing, trace)),
        clearances=clearances,
        fouls=clearance.fouls(clearances),
    )


def chance_within(what: str | float, residual: Uncertain, tolerance: float, trace: Trace) -> float:
    """Probability that ``residual`` truly lies within ``tolerance`` mm either way.

    ``what`` names it in the trace: a length in mm, or words.
    """
    chance = within(residual.value, residual.sd, -tolerance, tolerance)
    if trace.wanted:
        name = what if isinstance(what, str) else f"{what:g} mm"
        trace.note(
            f"chance that {name} lands within the tolerance",
            "phi((tolerance - residual) / sd) - phi((-tolerance - residual) / sd)",
            chance,
            "1",
            _NORMAL,
            tolerance=tolerance,
            residual=residual.value,
            sd=residual.sd,
        )
    return probability(chance)


def _tread_change(length: float, place: Placing, trace: Trace) -> float:
    reference, taper = place.known.spindle_length.value, place.taper.value
    change = length - reference + 2 * taper
    if trace.wanted:
        trace.note(
            f"change of tread with {length:g} mm",
            "length - reference_length + 2 * taper",
            change,
            "mm",
            "both arms move with their ends: plane geometry, no source needed",
            length=length,
            reference_length=reference,
            taper=taper,
        )
    return change


def preference(option: SpindleOption) -> tuple[bool, float, float, float]:
    """Sorts options best first."""
    return option.fouls, -option.probability_within, abs(option.residual.value), option.spindle_length.value


def _order(
    first: SpindleOption,
    neighbours: list[SpindleOption],
    bench: Bench,
    costs: OrderCosts | msgspec.UnsetType,
    trace: Trace,
) -> OrderAdvice | msgspec.UnsetType:
    """Advice between the first choice and its better neighbour that clears; none where the first itself fouls."""
    if first.fouls:
        return msgspec.UNSET
    leading = bench.candidate(first)
    landing = Landing(bench.tolerance, bench.errors.sd)
    second = better_second(leading, [bench.candidate(item) for item in neighbours if not item.fouls], landing)
    return advise(leading, second, landing, costs, trace)


def _stated(known: Baseline) -> StatedBaseline:
    return StatedBaseline(
        what=known.what,
        spindle_length=known.spindle_length.length,
        chain_line=known.chain_line.length,
        asymmetry_mm=known.asymmetry,
    )


def _learned(
    crank: KnownCrank, place: Placing, question: SpindleQuestion, settings: ShopSettings
) -> LearnedCrank | msgspec.UnsetType:
    """What reports did to the prediction, against the same unit placed by what the request says alone."""
    if crank.asked is None:
        return crank.told(place, None)
    width, silent = place.unit.unit_width.value, Trace(wanted=False)
    return crank.told(place, placing(crank.asked, question.unit, width, settings, silent))


def _budget(bench: Bench, trace: Trace) -> tuple[BudgetPart, ...]:
    """The same for every length: only the value of the residual changes with it."""
    sd = bench.errors.sd
    parts = sorted((-abs(part), source) for source, part in bench.errors.items() if part)
    names = {f"part_{number}": -size for number, (size, _) in enumerate(parts, 1)}
    formula = f"sqrt({' + '.join(f'{name}**2' for name in names)})"
    trace.note("standard deviation of every residual", formula, sd, "mm", _QUADRATURE, **names)
    return tuple(
        BudgetPart(
            source=source,
            plus_minus=Length.mm(-COVERAGE * size),
            share=probability(size * size / (sd * sd)),
        )
        for size, source in parts
    )


def granted(aim: Aim) -> tuple[str, ...]:
    """What the chain line to reach takes for granted about the bicycle."""
    match aim:
        case OldChainLine() | MatchRear():
            return assumptions(aim.measurement)
        case NominalAim():
            return assumptions(NominalChainLine(kind=aim.kind))
    return ()


def _found(
    crank: KnownCrank, bench: Bench, steps: Ladder, ranked: list[SpindleOption], order: OrderAdvice | msgspec.UnsetType
) -> dict[SpindleCaution, bool]:
    known, unit = bench.known, bench.placing.unit
    measured = [item.state != "not_measured" for item in ranked[0].clearances]
    return {
        "crank-untried": known.what == "cotter centres" and not crank.tried,
        "crank-only-by-kind": known.what == "fit reports" and not crank.tried,
        "reports-disagree": crank.disagree,
        "taper-assumed": unit.taper_from == "assumed",
        "reference-taper-unstated": known.taper is None and known.what == "reference spindle",
        "taper-mismatch": known.crank_taper not in {"unknown", unit.taper},
        "shell-not-in-catalogue": steps.origin == "general",
        "none-within-tolerance": all(abs(item.residual.value) > bench.tolerance for item in ranked),
        "every-length-fouls": all(item.fouls for item in ranked),
        "clearance-not-measured": not all(measured),
        "measure-again": isinstance(order, OrderAdvice) and order.measure_again,
    }
