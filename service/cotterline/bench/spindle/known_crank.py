"""What is known of a crank altogether: what the request says of it, and what fit reports say of its offset.

Both are brought to the ends that are wanted and taken together by the share that leaves the least variance of the chain
line less its target (best linear unbiased estimate; with independent errors its shares are the inverse variances). An
error that also stands in the target, such as the old chain line's, keeps its name and cancels. Where nothing was
learned the crank is what the request says, unchanged.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, get_args

import msgspec
from msgspec import UNSET, UnsetType

from cotterline.bench.derivation import Trace
from cotterline.bench.errors import CotterlineError, Fault
from cotterline.bench.quantity import COVERAGE, Length, Uncertain, probability
from cotterline.bench.shop import ShopSettings
from cotterline.bench.spindle.aim import target
from cotterline.bench.spindle.clearance import MeasuredGap, Surroundings
from cotterline.bench.spindle.crank import Baseline, NamedCrank, ReferencePair, UnknownCrank, baseline
from cotterline.bench.spindle.offset import Kind, OffsetReport, crank_id
from cotterline.bench.spindle.offset_learning import LearnedOffset, OffsetLearning, learn
from cotterline.bench.spindle.placing import Placing, taper_move, wanted_taper
from cotterline.bench.spindle.question import SpindleQuestion
from cotterline.bench.spindle.taper import Taper, moved_by_taper

BOOKED_LEARNED: Final = "offset learned from fit reports"

REFERENCE_LENGTH: Final = 115.0
"""Length in mm that a crank is stated on that only reports are known of. Any would do."""

DISAGREE_SDS: Final = 3.0
"""From how many standard deviations of their difference the request and the reports contradict each other."""

_SILENT: Final = Trace(wanted=False)
_LEAST_VARIANCE: Final = "least variance of a weighted mean of two estimates, JCGM 100:2008, equation 13"
_GEOMETRY: Final = "an arm moves by half the change in length of a symmetric spindle: plane geometry, no source needed"


class LearnedCrank(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What fit reports did to a prediction.

    Attributes:
        evidence: what they say of the crank's offset, and how far each is believed.
        request_share: how much what the request says of the crank still counts beside them; 0 where it says nothing.
        plus_minus: of the predicted chain line, the same for every length.
        plus_minus_without: what it would be without any report; left out where there would be no prediction.
        narrower_by: the difference.
    """

    evidence: LearnedOffset
    request_share: float
    plus_minus: Length
    plus_minus_without: Length | UnsetType = UNSET
    narrower_by: Length | UnsetType = UNSET


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownCrank:
    """A crank as far as it is known.

    Attributes:
        baseline: one spindle length and the crank's chain line on it, everything taken together.
        asked: the same by what the request says alone; nothing where it says nothing.
        learned: what reports say; nothing where they say nothing.
        share: of what the request says.
        disagree: whether the two contradict each other.
    """

    baseline: Baseline
    asked: Baseline | None
    learned: OffsetLearning | None = None
    share: float = 1.0
    disagree: bool = False

    @property
    def gaps_read_at(self) -> Uncertain:
        """The chain line at which gaps were read that name none."""
        return (self.asked or self.baseline).chain_line

    @property
    def tried(self) -> bool:
        """Whether this very crank was measured on a spindle whose length is known."""
        reported = self.learned is not None and self.learned.stated.report_count > 0
        measured = self.asked is not None and self.asked.what == "reference spindle"
        return measured or (reported and self.share < 1 / 2)

    def told(self, place: Placing, without: Placing | None) -> LearnedCrank | UnsetType:
        """What the reports did to the prediction of ``place``, against the one of what the request says alone."""
        if self.learned is None:
            return UNSET
        spread = COVERAGE * place.chain_line(0.0).sd
        before = UNSET if without is None else COVERAGE * without.chain_line(0.0).sd
        return LearnedCrank(
            evidence=self.learned.stated,
            request_share=probability(self.share),
            plus_minus=Length.mm(spread),
            plus_minus_without=UNSET if isinstance(before, UnsetType) else Length.mm(before),
            narrower_by=UNSET if isinstance(before, UnsetType) else Length.mm(before - spread),
        )


def known_crank(
    question: SpindleQuestion, offsets: Sequence[OffsetReport], settings: ShopSettings, trace: Trace, pointer: str = ""
) -> KnownCrank:
    """Everything that is known of the question's crank.

    Args:
        question: what is asked; its crank is no longer a name.
        offsets: of cranks that were fitted and measured.
        settings: the taper convention is used.
        trace: takes the derivation.
        pointer: where the question stands in the request, for faults.

    Raises:
        CotterlineError: ``measurement-missing``, naming what nothing can be said without.
    """
    learned = _learned(question, offsets, trace) if offsets else None
    if learned is not None and isinstance(question.crank, UnknownCrank):
        return _from_reports(question, learned, pointer)
    if isinstance(question.crank, UnknownCrank):
        _refuse_other_rings(question.crank, offsets, f"{pointer}/crank/rings")
    asked = baseline(question.crank, question.target, trace, f"{pointer}/crank")
    if learned is None:
        return KnownCrank(baseline=asked, asked=asked)
    return _together(question, asked, learned, settings, trace)


def _learned(question: SpindleQuestion, offsets: Sequence[OffsetReport], trace: Trace) -> OffsetLearning | None:
    """What reports say, on the ends that are wanted, or else on the other standard if only there it was ever fitted."""
    crank = question.crank
    if isinstance(crank, NamedCrank):
        return None
    wanted, said = crank_id(crank), _said(question)
    if isinstance(crank, UnknownCrank) and not wanted.stated:
        return None
    others = [taper for taper in get_args(Taper) if taper != said]
    for taper in ([said] if said else []) + others:
        kind = Kind(crank.rings, taper)
        found = learn(wanted, kind, offsets, _SILENT)
        if found is not None and found.stated.report_count:
            return learn(wanted, kind, offsets, trace) if trace.wanted else found
    return learn(wanted, Kind(crank.rings, said), offsets, trace) if said else None


def _refuse_other_rings(crank: UnknownCrank, offsets: Sequence[OffsetReport], pointer: str) -> None:
    """Say so where the crank was fitted, but with another number of rings: their middle stands elsewhere."""
    wanted = crank_id(crank)
    if not wanted.stated:
        return
    for kind in sorted({report.kind for report in offsets}):
        found = learn(wanted, kind, offsets, _SILENT)
        if found is not None and found.stated.report_count:
            fault = Fault(
                pointer, f"fit reports know this crank with {kind.rings} rings; the request says {crank.rings}"
            )
            raise CotterlineError("measurement-missing", "The crank was fitted with another number of rings.", [fault])


def _said(question: SpindleQuestion) -> Taper | None:
    """The standard of the ends that are wanted, where anybody said."""
    if not isinstance(question.unit.taper, UnsetType):
        return question.unit.taper
    crank = question.crank
    said = [] if isinstance(crank, NamedCrank) else [crank.taper]
    if isinstance(crank, ReferencePair):
        said.append(crank.spindle_taper)
    return next((taper for taper in said if taper != "unknown"), None)


def _from_reports(question: SpindleQuestion, learned: OffsetLearning, pointer: str) -> KnownCrank:
    faults = list(_nothing_to_move_from(question.surroundings, f"{pointer}/surroundings"))
    if faults:
        raise CotterlineError("measurement-missing", "A gap says nothing without where the crank stood then.", faults)
    taper = learned.stated.taper
    known = Baseline(
        what="fit reports",
        spindle_length=Uncertain(REFERENCE_LENGTH),
        chain_line=_booked(learned) + REFERENCE_LENGTH / 2,
        asymmetry=0.0,
        taper=taper,
        crank_taper=taper,
    )
    return KnownCrank(baseline=known, asked=None, learned=learned, share=0.0)


def _nothing_to_move_from(around: Surroundings, pointer: str) -> Iterator[Fault]:
    for name, gap in (("ring", around.ring), ("drive_arm", around.drive_arm)):
        if isinstance(gap, MeasuredGap) and isinstance(gap.chain_line, UnsetType):
            yield Fault(f"{pointer}/{name}/chain_line", "the crank has no reference spindle: say where the rings stood")
    if not isinstance(around.non_drive_arm, UnsetType):
        yield Fault(f"{pointer}/non_drive_arm", "the crank has no reference spindle that this was measured on")


def _booked(learned: OffsetLearning) -> Uncertain:
    return Uncertain.of(learned.offset.mean, learned.offset.sd, BOOKED_LEARNED)


def _together(
    question: SpindleQuestion, asked: Baseline, learned: OffsetLearning, settings: ShopSettings, trace: Trace
) -> KnownCrank:
    if learned.stated.report_count and asked.crank_taper == "unknown" and asked.taper is None:
        # Nobody said, but it was fitted before: its ends are those it was fitted on.
        asked = msgspec.structs.replace(asked, crank_taper=learned.stated.taper)
    wanted, _ = wanted_taper(asked, question.unit)
    half = asked.spindle_length / 2 + asked.asymmetry / 2
    moved = taper_move(asked, wanted, settings, _SILENT)
    by_request = asked.chain_line - half + moved
    by_reports = _booked(learned) + moved_by_taper(learned.stated.taper, wanted, settings.taper_convention, _SILENT)
    share = _request_share(by_request, by_reports, target(question.target, _SILENT), trace)
    offset = by_request * share + by_reports * (1 - share)
    trace.note(
        "offset by the request and by fit reports together",
        "share * (chain_line - (length + asymmetry) / 2 + taper) + (1 - share) * (learned + learned_taper)",
        offset.value,
        "mm",
        _GEOMETRY,
        share=share,
        chain_line=asked.chain_line.value,
        length=asked.spindle_length.value,
        asymmetry=asked.asymmetry,
        taper=moved.value,
        learned=learned.offset.mean,
        learned_taper=by_reports.value - learned.offset.mean,
    )
    known = msgspec.structs.replace(asked, chain_line=offset - moved + half)
    apart = by_request - by_reports
    disagree = abs(apart.value) > DISAGREE_SDS * apart.sd
    return KnownCrank(baseline=known, asked=asked, learned=learned, share=share, disagree=disagree)


def _request_share(by_request: Uncertain, by_reports: Uncertain, goal: Uncertain, trace: Trace) -> float:
    """The share of what the request says that leaves the least variance of what lies between chain line and target."""
    one, other = by_request - goal, by_reports - goal
    both = one.covariance(other)
    share = (other.sd**2 - both) / (one.sd**2 + other.sd**2 - 2 * both)
    return trace.note(
        "share of what the request says of the crank",
        "min(1, max(0, (reports - both) / (request + reports - 2 * both)))",
        min(1.0, max(0.0, share)),
        "1",
        _LEAST_VARIANCE,
        request=one.sd**2,
        reports=other.sd**2,
        both=both,
    )
