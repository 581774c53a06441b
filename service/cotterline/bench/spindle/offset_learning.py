"""What fit reports say of a crank's offset: normal on normal, on two levels, with readings that may be misread.

A crank's offset is taken as normal about the mean of its kind, that mean as normal about a wide guess, and a report as
normal about the crank's offset (Bayesian Data Analysis, third edition, 2013, section 5.4; each step is the update of a
normal mean with known variance, section 2.5). A small share of reports are misreadings with a much wider error
(``misreadings.py``).
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import msgspec
from msgspec import UnsetType

from cotterline.bench.data import load
from cotterline.bench.derivation import Trace
from cotterline.bench.gtin import Gtin
from cotterline.bench.quantity import Length, probability
from cotterline.bench.spelling import plain
from cotterline.bench.spindle.crank import CrankName, ErrorRow
from cotterline.bench.spindle.misreadings import Choices, Normal, choices
from cotterline.bench.spindle.offset import CrankId, Kind, OffsetReport
from cotterline.bench.spindle.taper import Taper

_NORMAL: Final = "normal mean with known variance: Bayesian Data Analysis, third edition, 2013, section 2.5"
_LEVELS: Final = "hierarchical normal model: Bayesian Data Analysis, third edition, 2013, section 5.4"
_MIXED: Final = "mean and variance of a mixture over which reports are misreadings"

_SPELT_OUT: Final = 30
"""From how many on neither cranks of a kind nor reports of a crank are told one by one."""

_LONGEST_GTIN: Final = 14
"""Shorter trade item numbers are the same with zeros before them: GS1 General Specifications, section 3."""


class _Start(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    mean: float
    sd: float
    source: str
    grade: str


class _Misreading(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    chance: float
    sd: float
    source: str
    grade: str


class OffsetModel(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What is taken before any report, and how far a report is believed; mm."""

    start: _Start
    between_cranks: ErrorRow
    between_shops: ErrorRow
    misreading: _Misreading


MODEL: Final = load("offset_learning", OffsetModel)


class WeighedReport(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One report of a crank.

    Attributes:
        offset: as observed, with all that is uncertain about it unless it is a misreading.
        weight: probability that it is none.
        shared: whether another shop gave it.
    """

    offset: Length
    weight: float
    shared: bool


class LearnedOffset(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is known of a crank's offset, and from what. The offset is its chain line less half the spindle's length.

    Attributes:
        crank: the shop's name for it.
        gtin: its trade item number.
        rings: of its kind.
        taper: standard of the ends it is for.
        start: mean of a kind before any report.
        kind: mean of this kind, from every other crank of it.
        kind_cranks: how many those are.
        kind_reports: how many reports of them there are.
        before: this crank's offset before its own reports.
        report_count: how many reports of its own there are.
        reports: its own, in the order of their offsets; of many only those that are believed least.
        offset: of this crank, after them.
    """

    crank: CrankName | UnsetType = msgspec.UNSET
    gtin: Gtin | UnsetType = msgspec.UNSET
    rings: int
    taper: Taper
    start: Length
    kind: Length
    kind_cranks: int
    kind_reports: int
    before: Length
    report_count: int
    reports: tuple[WeighedReport, ...]
    offset: Length


@dataclass(frozen=True, slots=True)
class OffsetLearning:
    """A learned offset, unrounded, with what it stands on."""

    offset: Normal
    stated: LearnedOffset


def learn(
    wanted: CrankId, kind: Kind, reports: Iterable[OffsetReport], trace: Trace, model: OffsetModel = MODEL
) -> OffsetLearning | None:
    """What is known of a crank's offset; nothing where neither it nor any other of its kind was reported.

    Args:
        wanted: the crank. One that is known by nothing has no reports of its own.
        kind: its rings, and the standard of the ends it is for.
        reports: of any cranks; the order does not matter.
        trace: takes the derivation.
        model: the constants.

    >>> seen = OffsetReport(crank="Five-pin", rings=1, taper="jis", offset_mm=-14.0, sd_mm=0.6)
    >>> learned = learn(CrankId("Five-pin"), Kind(1, "jis"), [seen], Trace())
    >>> learned.stated.before, learned.stated.offset
    (Length(value=-12.0, unit='mm', plus_minus=6.708), Length(value=-13.918, unit='mm', plus_minus=1.408))
    """
    own, others = _split(wanted, [report for report in reports if report.kind == kind])
    if not own and not others:
        return None
    said = [_likelihood(each, model) for each in others]
    middle = _kind([each for each in said if each is not None], model, trace)
    before = Normal(middle.mean, math.hypot(middle.sd, model.between_cranks.sd))
    _note_before(before, middle, model, trace)
    readings = _readings(own, model)
    found = choices(before, readings, model.misreading.chance, model.misreading.sd)
    offset = found.mixed
    if own and trace.wanted:
        _note_own(before, readings, found, model, trace)
    stated = LearnedOffset(
        crank=wanted.name,
        gtin=wanted.gtin,
        rings=kind.rings,
        taper=kind.taper,
        start=Length.mm(model.start.mean, model.start.sd),
        kind=middle.length,
        kind_cranks=len(others),
        kind_reports=sum(len(each) for each in others),
        before=before.length,
        report_count=len(own),
        reports=tuple(_weighed(own, readings, found, trace)),
        offset=offset.length,
    )
    return OffsetLearning(offset, stated)


def every_crank(reports: Sequence[OffsetReport]) -> tuple[LearnedOffset, ...]:
    """What is known of every crank that the shop itself reported and that can be known again, by kind and name."""
    found: dict[tuple[Kind, str], CrankId] = {}
    for kind in {report.kind for report in reports}:
        alike = [report for report in reports if report.kind == kind]
        names = _Names(CrankId(), alike)
        for report in alike:
            if report.crank_id.stated and not report.shared:
                place = kind, names.key(report.crank_id)
                found[place] = _fuller(found.get(place, CrankId()), report.crank_id)
    silent = Trace(wanted=False)
    learned = (learn(found[place], place[0], reports, silent) for place in sorted(found))
    return tuple(each.stated for each in learned if each is not None)


class _Names:
    """Which reports are of one crank: those of one trade item number, and those of a name that was given with it."""

    def __init__(self, wanted: CrankId, reports: Iterable[OffsetReport]) -> None:
        self._gtins: dict[str, Gtin] = {}
        ids = sorted({report.crank_id for report in reports if isinstance(report.gtin, str)}, key=str)
        for name, gtin in (wanted, *ids):
            if isinstance(name, str) and isinstance(gtin, str):
                self._gtins.setdefault(plain(name), gtin)

    def key(self, crank: CrankId) -> str:
        """The same text for the same crank; none for one that is known by nothing."""
        name = "" if isinstance(crank.name, UnsetType) else plain(crank.name)
        gtin = self._gtins.get(name, "") if isinstance(crank.gtin, UnsetType) else crank.gtin
        return f"gtin {gtin.zfill(_LONGEST_GTIN)}" if gtin else name and f"name {name}"


def _fuller(one: CrankId, other: CrankId) -> CrankId:
    return CrankId(
        other.name if isinstance(one.name, UnsetType) else one.name,
        other.gtin if isinstance(one.gtin, UnsetType) else one.gtin,
    )


def _split(wanted: CrankId, alike: Sequence[OffsetReport]) -> tuple[list[OffsetReport], list[list[OffsetReport]]]:
    """The crank's own reports, and those of each other crank; one that is known by nothing is a crank by itself."""
    names = _Names(wanted, alike)
    sought = names.key(wanted)
    own: list[OffsetReport] = []
    named: dict[str, list[OffsetReport]] = defaultdict(list)
    nameless: list[list[OffsetReport]] = []
    for report in sorted(alike, key=_by_value):
        key = names.key(report.crank_id)
        if not key:
            nameless.append([report])
        elif key == sought:
            own.append(report)
        else:
            named[key].append(report)
    return own, [*(named[key] for key in sorted(named)), *nameless]


def _by_value(report: OffsetReport) -> tuple[float, float, bool]:
    return report.offset_mm, report.sd_mm, report.shared


def _readings(reports: Iterable[OffsetReport], model: OffsetModel) -> tuple[Normal, ...]:
    """Each report with the spread it has unless it is a misreading."""
    shops = model.between_shops.sd
    return tuple(
        Normal(each.offset_mm, math.hypot(each.sd_mm, shops) if each.shared else each.sd_mm) for each in reports
    )


def _likelihood(reports: Sequence[OffsetReport], model: OffsetModel) -> Normal | None:
    """What a crank's reports say by themselves: its offset after them, with what was taken before divided out.

    None where they contradict each other, or that guess, so much that they leave it no narrower.
    """
    start = Normal(model.start.mean, math.hypot(model.start.sd, model.between_cranks.sd))
    after = choices(start, _readings(reports, model), model.misreading.chance, model.misreading.sd).mixed
    precision = after.sd**-2 - start.sd**-2
    if precision <= 0:
        return None
    return Normal((after.mean / after.sd**2 - start.mean / start.sd**2) / precision, precision**-0.5)


def _kind(said: Sequence[Normal], model: OffsetModel, trace: Trace) -> Normal:
    """The mean of a kind, from what each of its other cranks says."""
    start, between = Normal(model.start.mean, model.start.sd), model.between_cranks.sd
    weights = [1 / start.sd**2, *(1 / (between**2 + each.sd**2) for each in said)]
    means = [start.mean, *(each.mean for each in said)]
    precision = math.fsum(weights)
    kind = Normal(math.fsum(w * m for w, m in zip(weights, means, strict=True)) / precision, precision**-0.5)
    _note_mean("mean offset of the crank's kind", kind, start, said, trace, between)
    return kind


def _note_before(before: Normal, kind: Normal, model: OffsetModel, trace: Trace) -> None:
    trace.note(
        "standard deviation of the crank's offset before its own reports",
        "sqrt(kind_sd**2 + between**2)",
        before.sd,
        "mm",
        _LEVELS,
        kind_sd=kind.sd,
        between=model.between_cranks.sd,
    )


def _note_mean(  # noqa: PLR0913, PLR0917 - the mean, all it is made of, and where it is noted
    name: str, mean: Normal, start: Normal, others: Sequence[Normal], trace: Trace, between: float = 0.0
) -> None:
    """How a mean came of a start and others, each by its variance; ``between`` adds to the variance of the others."""
    if not trace.wanted:
        return
    inputs = {"start": start.mean, "start_sd": start.sd}
    pulls, over = ["start / start_sd**2"], ["1 / start_sd**2"]
    if len(others) > _SPELT_OUT:
        variances = [each.sd**2 + between**2 for each in others]
        inputs["precision"] = math.fsum(1 / variance for variance in variances)
        inputs["pull"] = math.fsum(each.mean / variance for each, variance in zip(others, variances, strict=True))
        pulls.append("pull")
        over.append("precision")
    else:
        inputs |= {"between": between} if between else {}
        for number, each in enumerate(others, 1):
            variance = f"(between**2 + sd_{number}**2)" if between else f"sd_{number}**2"
            inputs |= {f"seen_{number}": each.mean, f"sd_{number}": each.sd}
            pulls.append(f"seen_{number} / {variance}")
            over.append(f"1 / {variance}")
    divisor = " + ".join(over)
    source = _LEVELS if between else _NORMAL
    trace.note(name, f"({' + '.join(pulls)}) / ({divisor})", mean.mean, "mm", source, **inputs)
    inputs = {
        key: value for key, value in inputs.items() if key.startswith(("start_sd", "sd_", "between", "precision"))
    }
    trace.note("its standard deviation", f"1 / sqrt({divisor})", mean.sd, "mm", source, **inputs)


def _note_own(before: Normal, readings: Sequence[Normal], found: Choices, model: OffsetModel, trace: Trace) -> None:
    """The likeliest choice by the update of a normal mean, and the mixture of all."""
    taken = [
        each if well else Normal(each.mean, math.hypot(each.sd, model.misreading.sd))
        for each, well in zip(readings, found.good[0], strict=True)
    ]
    likeliest = Normal(found.means[0], found.sds[0])
    _note_mean("offset by the likeliest choice of misreadings", likeliest, before, taken, trace)
    offset = found.mixed
    parts = list(enumerate(zip(found.chances, found.means, found.sds, strict=True), 1))
    inputs = {name: value for k, (p, m, _) in parts for name, value in ((f"p_{k}", p), (f"m_{k}", m))}
    formula = " + ".join(f"p_{k} * m_{k}" for k, _ in parts)
    trace.note("offset of the crank", formula, offset.mean, "mm", _MIXED, **inputs)
    inputs |= {f"s_{k}": sd for k, (_, _, sd) in parts} | {"mean": offset.mean}
    formula = " + ".join(f"p_{k} * (s_{k}**2 + (m_{k} - mean)**2)" for k, _ in parts)
    trace.note("its standard deviation", f"sqrt({formula})", offset.sd, "mm", _MIXED, **inputs)


def _shown(found: Choices) -> list[int]:
    """Which reports are shown: all, or of many those that are believed least."""
    places = range(len(found.good[0]))
    return sorted(sorted(places, key=lambda place: (found.weight(place), place))[:_SPELT_OUT])


def _weighed(
    own: Sequence[OffsetReport], readings: Sequence[Normal], found: Choices, trace: Trace
) -> Iterator[WeighedReport]:
    for number, place in enumerate(_shown(found), 1):
        weight = found.weight(place)
        choices_of_it = enumerate(zip(found.chances, found.good, strict=True), 1)
        good = {f"p_{k}": p for k, (p, well) in choices_of_it if well[place]}
        trace.note(f"weight of report {number}", " + ".join(good) or "0", weight, "1", _MIXED, **good)
        yield WeighedReport(offset=readings[place].length, weight=probability(weight), shared=own[place].shared)
