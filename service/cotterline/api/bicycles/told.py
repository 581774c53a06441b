"""Answers about bicycles as lines: what was quoted, what was refused and why, and at the end how many there were."""

from collections.abc import Sequence
from typing import Final, Protocol, Self

import msgspec
from msgspec import UNSET, UnsetType

from cotterline.api.bicycles.bike import Quoted, Refused
from cotterline.api.csv_text import guarded, written
from cotterline.api.problems import Call, Problem, RequestRefusedError, body_errors, document
from cotterline.bench.pricing.ceiling import Ceiling
from cotterline.bench.quotes import QuoteResult
from cotterline.bench.spindle_options import SpindleOption, SpindleResult
from cotterline.store.quote_runs import BicycleForm


class QuotedLine(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A quote as a JSON line: where the bicycle stood, the shop's name for it, and the answer."""

    place: str
    reference: str = ""
    result: QuoteResult

    @classmethod
    def of(cls, quoted: Quoted) -> Self:
        """The line of a bicycle that was quoted."""
        return cls(place=quoted.bike.place, reference=quoted.bike.request.reference or "", result=quoted.result)


class RefusedLine(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A bicycle that cannot be quoted, as a JSON line: where it stood, and why."""

    place: str
    reference: str = ""
    problem: Problem


class Summary(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """How a stream ended.

    Attributes:
        bicycles: how many were read.
        quoted: how many of them were quoted.
        refused: how many were not.
        complete: whether the stream was read to its end.
        problem: why it was not.
    """

    bicycles: int
    quoted: int
    refused: int
    complete: bool
    problem: Problem | UnsetType = UNSET


class SummaryLine(msgspec.Struct, frozen=True, kw_only=True):
    """The last JSON line."""

    summary: Summary


class Teller(Protocol):
    """Says answers in one form."""

    def heading(self) -> bytes:
        """What comes before all answers."""

    def answer(self, found: Quoted | Refused) -> bytes:
        """One answer."""

    def end(self, summary: Summary) -> bytes:
        """What comes after all answers."""


class JsonLines:
    """Answers as JSON, one a line."""

    def __init__(self, call: Call) -> None:
        self._call = call

    def heading(self) -> bytes:
        """Nothing."""
        return b""

    def answer(self, found: Quoted | Refused) -> bytes:
        """The whole answer, or a problem document in its place."""
        line: QuotedLine | RefusedLine
        if isinstance(found, Quoted):
            line = QuotedLine.of(found)
        else:
            refusal = RequestRefusedError(found.code, found.detail, body_errors(found.faults))
            line = RefusedLine(place=found.place, reference=found.reference, problem=document(refusal, self._call))
        return msgspec.json.encode(line) + b"\n"

    def end(self, summary: Summary) -> bytes:
        """The summary."""
        return msgspec.json.encode(SummaryLine(summary=summary)) + b"\n"


COLUMNS: Final = (
    "place",
    "reference",
    "state",
    "drive_thread",
    "non_drive_thread",
    "probability",
    "shell_width",
    "may_order",
    "spindle",
    "next_shorter",
    "next_longer",
    "chain_line",
    "plus_minus",
    "unit",
    "minutes_p10",
    "minutes_p90",
    "price_p10",
    "price_p90",
    "price_expected",
    "ceiling",
    "currency",
    "problem",
)
"""Of a table of answers, in their order; ``unit`` is of the lengths."""

SUMMARY: Final = "summary"
"""What stands in the place of a bicycle's in the last row."""


class CsvRows:
    """Answers as rows of a table: the figures a list of jobs is sorted by, or why there are none."""

    def heading(self) -> bytes:
        """The header."""
        return _rows([COLUMNS])

    def answer(self, found: Quoted | Refused) -> bytes:
        """One row."""
        if isinstance(found, Refused):
            return _row({"place": found.place, "reference": found.reference, "problem": " | ".join(found.reasons)})
        reference = found.bike.request.reference or ""
        return _row({"place": found.bike.place, "reference": reference, **_figures(found.result)})

    def end(self, summary: Summary) -> bytes:
        """The last row: how many there were, and whether that was all."""
        told = f"{summary.bicycles} bicycles, {summary.quoted} quoted, {summary.refused} refused"
        if isinstance(summary.problem, Problem):
            told += f"; not read to its end: {summary.problem.detail}"
        return _row({"place": SUMMARY, "state": "complete" if summary.complete else "incomplete", "problem": told})


def teller_of(form: BicycleForm, call: Call) -> Teller:
    """What says answers in a form; problem documents name the call."""
    return CsvRows() if form == "csv" else JsonLines(call)


def _figures(result: QuoteResult) -> dict[str, object]:
    verdict, estimate = result.verdict, result.estimate
    ceiling = estimate.ceiling.amount.amount if isinstance(estimate.ceiling, Ceiling) else ""
    return {
        "state": verdict.state,
        "drive_thread": verdict.leading.drive,
        "non_drive_thread": verdict.leading.non_drive,
        "probability": verdict.leading.probability,
        "shell_width": verdict.shell_width.nominal.value,
        "may_order": "yes" if result.ordering.allowed else "no",
        **_spindle(result.spindle),
        "unit": result.settings.units,
        "minutes_p10": estimate.minutes.p10,
        "minutes_p90": estimate.minutes.p90,
        "price_p10": estimate.money.p10.amount,
        "price_p90": estimate.money.p90.amount,
        "price_expected": estimate.money.expected.amount,
        "ceiling": ceiling,
        "currency": estimate.money.expected.currency,
    }


def _spindle(spindle: SpindleResult | UnsetType) -> dict[str, object]:
    if isinstance(spindle, UnsetType):
        return {}
    beside = {"next_shorter": spindle.next_shorter, "next_longer": spindle.next_longer}
    line = spindle.first.chain_line
    return {
        "spindle": spindle.first.spindle_length.value,
        **{name: each.spindle_length.value for name, each in beside.items() if isinstance(each, SpindleOption)},
        "chain_line": line.value,
        "plus_minus": "" if isinstance(line.plus_minus, UnsetType) else line.plus_minus,
    }


def _row(cells: dict[str, object]) -> bytes:
    return _rows([[guarded(str(cells.get(name, ""))) for name in COLUMNS]])


def _rows(rows: Sequence[Sequence[str]]) -> bytes:
    return written(rows).encode()
