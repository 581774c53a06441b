"""The bench card: one sheet of paper for one job, with the verdict in large type and boxes to write readings into.

It says in the reader's words what a kept quote says by code and number. What does not fit on the sheet is named, with
the place to read it, and never left out in silence.
"""

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Final, NamedTuple

from msgspec import UnsetType

from cotterline.bench.caution import CAUTIONS
from cotterline.bench.quotes import QuoteRequest, QuoteResult
from cotterline.bench.shell.next_measurement import NextMeasurement
from cotterline.bench.spindle.aim import OldChainLine
from cotterline.bench.spindle.question import SpindleQuestion
from cotterline.bench.spindle_options import SpindleOption, SpindleResult
from cotterline.bench.thread_verdicts import Cup
from cotterline.documents.card_reasons import listed, reasons
from cotterline.documents.card_steps import CardSteps, card_steps
from cotterline.documents.language import Language
from cotterline.documents.observed import observed
from cotterline.documents.sheet import HEIGHT, MARGIN, TYPES, Paper, Type, clipped
from cotterline.documents.shell_names import shell_designation, shell_name
from cotterline.documents.templates import Page, page
from cotterline.documents.words import (
    AT_THE_FOOT,
    FIRST_METHOD,
    HANDS,
    LINE_READINGS,
    MEASUREMENTS,
    SIDES,
    SIDES_OF_THE_BICYCLE,
    STATES,
    TOOLS,
    TURNS,
)

_REFERENCE: Final = 60
_FACTS: Final = 14
_MEASURES: Final = 3
_READ: Final = 9.0
"""Millimetres of the box that a reading is written into."""

_HEAD, _FOOT, _SPARE = 48.0, 27.0, 4.0
"""Millimetres of the sheet's height that head and foot are taken to need, and what uneven columns may waste."""

_TABLE, _BOXES, _HEADING = 29.0, 64.0, 7.0
"""Millimetres of a column that the spindles, the boxes and one heading are taken to need."""


class CardJob(NamedTuple):
    """What a card is printed from: a kept quote's revision.

    Attributes:
        quote: the quote's id, as it is written.
        reference: the shop's own name for the job.
        revision: which one, counted from 1.
        made_at: when it was computed.
        request: what was asked.
        result: what was answered.
    """

    quote: str
    reference: str
    revision: int
    made_at: datetime
    request: QuoteRequest
    result: QuoteResult


class Told(NamedTuple):
    """One line of the verdict: a side of the shell in words."""

    side: str
    thread: str
    turns: str


class Advice(NamedTuple):
    """A measurement to take next."""

    what: str
    how: str
    minutes: str


class Choice(NamedTuple):
    """A spindle that could be ordered."""

    first: bool
    length: str
    chain_line: str
    residual: str
    chance: str
    fouls: bool


def bench_card(job: CardJob, language: Language, paper: Paper) -> Page:
    """The card of a job as a page that prints on one sheet.

    Args:
        job: the kept quote.
        language: whose words, numbers and units it is told in.
        paper: what it is printed on.
    """
    result = job.result
    why = tuple(reasons(job.request, result, language))
    advice = tuple(_advice(item, language) for item in result.verdict.next_measurements[:_MEASURES])
    cautions = tuple(_spindle_cautions(result, language))
    facts = listed([observed(item, language) for item in job.request.evidence], _FACTS, language)
    beside = [*why, *cautions, *(text for item in advice for text in [f"{item.what}. {item.how}"])]
    size, steps = _fitted(job, language, paper, _Taken(facts, beside, len(advice)))
    values = {
        "job": job,
        "reference": clipped(job.reference or job.quote, _REFERENCE),
        "size": size.name,
        "facts": facts,
        "allowed": result.ordering.allowed,
        **_verdict(result, language),
        "reasons": why,
        "advice": advice,
        "spindle": result.spindle or None,
        "choices": tuple(_choices(result.spindle, language)),
        "spindle_cautions": cautions,
        "line_readings": _line_readings(job.request),
        **_work(result, steps, language),
    }
    return page("bench_card.html", ("bench_card.css", f"{paper}.css"), language, values)


class _Taken(NamedTuple):
    """What stands on a card beside its steps: facts, paragraphs in a column, measurements."""

    facts: str
    paragraphs: Sequence[str]
    measurements: int

    def height(self, size: Type, *, boxes: bool) -> float:
        """Millimetres it takes of both columns."""
        told = sum(size.height(text, size.column) + 0.6 for text in self.paragraphs)
        headings = 2 * _HEADING + bool(self.measurements) * 2 * _HEADING
        fixed = _TABLE + headings + self.measurements * _READ + boxes * _BOXES
        return told + fixed + 2 * size.height(self.facts, size.sheet)


def _fitted(job: CardJob, language: Language, paper: Paper, taken: _Taken) -> tuple[Type, CardSteps]:
    """The largest letters in which all steps fit, or else the smallest with as many steps as do."""
    columns = 2 * (HEIGHT[paper] - 2 * MARGIN - _HEAD - _FOOT - _SPARE)
    boxes = job.result.ordering.allowed
    tried = [
        (size, card_steps(job.result.plan, language, size, columns - taken.height(size, boxes=boxes))) for size in TYPES
    ]
    return next((each for each in tried if each[1].left_out is None), tried[-1])


def _verdict(result: QuoteResult, language: Language) -> dict[str, object]:
    leading, width = result.verdict.leading, result.verdict.shell_width
    return {
        "settled": result.verdict.state == "fit_to_order",
        "state": language.say(STATES[result.verdict.state]),
        "name": shell_name(leading.drive, leading.non_drive, language),
        "designation": shell_designation(leading.drive, leading.non_drive, language),
        "cups": [_cup(cup, language) for cup in leading.cups],
        "width": language.length(width.nominal),
        "measured": width.measured,
        "probability": language.percent(leading.probability, 1),
    }


def _cup(cup: Cup, language: Language) -> Told:
    say = language.say
    side = say(SIDES_OF_THE_BICYCLE[cup.side])
    if isinstance(cup.hand, UnsetType) or isinstance(cup.unscrews, UnsetType):
        return Told(side, say("no thread"), "")
    return Told(side, say(HANDS[cup.hand]), say(TURNS[cup.unscrews]))


def _advice(item: NextMeasurement, language: Language) -> Advice:
    say = language.say
    side = "" if isinstance(item.side, UnsetType) else say(SIDES[item.side])
    tool = "" if isinstance(item.tool, UnsetType) else say(TOOLS[item.tool])
    what = ", ".join(part for part in (say(MEASUREMENTS[item.kind]), side, tool) if part)
    return Advice(what, say(item.how), say("about {minutes} min", minutes=language.number(item.minutes)))


def _choices(spindle: SpindleResult | UnsetType, language: Language) -> Iterator[Choice]:
    if isinstance(spindle, UnsetType):
        return
    for option in (spindle.first, spindle.next_shorter, spindle.next_longer):
        if isinstance(option, SpindleOption):
            yield Choice(
                first=option is spindle.first,
                length=language.length(option.spindle_length),
                chain_line=language.length(option.chain_line),
                residual=f"{'+' if option.residual.value > 0 else ''}{language.length(option.residual)}",
                chance=language.percent(option.probability_within),
                fouls=option.fouls,
            )


def _spindle_cautions(result: QuoteResult, language: Language) -> Iterator[str]:
    if not isinstance(result.spindle, UnsetType):
        for caution in result.spindle.cautions:
            yield language.say(caution.text)


def _whole(result: QuoteResult, language: Language) -> str:
    minutes = result.plan.minutes
    likely, most = language.number(minutes.p50), language.number(minutes.p90)
    return language.say("All in all about {likely} min; in nine of ten jobs {most} at most.", likely=likely, most=most)


def _line_readings(request: QuoteRequest) -> tuple[str, ...]:
    """What the chain line is read by: the method of the old one where it was measured, so that both compare."""
    method = FIRST_METHOD
    if isinstance(request.spindle, SpindleQuestion) and isinstance(request.spindle.target, OldChainLine):
        method = str(request.spindle.target.measurement.__struct_config__.tag)
    return LINE_READINGS.get(method, LINE_READINGS[FIRST_METHOD])


def _work(result: QuoteResult, steps: CardSteps, language: Language) -> dict[str, object]:
    """The steps, how long they take, and the general cautions that none of those shown says already."""
    said = {text for step in steps.shown for text in step.cautions}
    general = [language.say(CAUTIONS[code].text) for code in (AT_THE_FOOT, "loose-arm", "frame-builder")]
    return {
        "steps": steps.shown,
        "left_out": steps.left_out,
        "minutes": _whole(result, language),
        "general": [text for text in general if text not in said],
    }
