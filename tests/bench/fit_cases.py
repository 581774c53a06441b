"""Fit reports for the tests, judged against a quote built from a few numbers."""

from collections.abc import Sequence
from typing import Any

import msgspec

from cotterline.bench.derivation import Trace
from cotterline.bench.fit.report import FitReportRequest
from cotterline.bench.fit.result import FitCheck, FitQuestion, FitResult, NextSpindle, SpacerInstead
from cotterline.bench.fit_reports import fit_result
from cotterline.bench.quotes import QuoteRequest
from cotterline.bench.shop import ShopSettings
from cotterline.bench.spindle.question import SpindleQuestion
from cotterline.bench.spindle_options import SpindleOption
from cotterline.bench.workshop import Workshop
from tests.bench.bikes import COTTERED
from tests.bench.formulas import check_steps


def line(value: float, **reading: Any) -> dict[str, Any]:  # noqa: ANN401 - any part of a reading
    """A chain line as it was measured, with a ruler unless said otherwise."""
    return {"method": "measured_chain_line", "chain_line": {"value": value, **reading}}


def stocked(*lengths: float) -> dict[str, Any]:
    """Settings of a shop that can get these lengths for a 68 mm shell, and no others."""
    return {"stocked_lengths": [{"shell_width": 68, "lengths": lengths}]}


def fit_report(*chain_lines: dict[str, Any], **body: Any) -> FitReportRequest:  # noqa: ANN401 - any part of a report
    """A report as a request's body would state it."""
    return msgspec.convert({"chain_lines": chain_lines} | body, FitReportRequest)


def judged(
    asked: SpindleQuestion,
    report: FitReportRequest,
    known_lengths: Sequence[float] = (113.0,),
    settings: dict[str, Any] | None = None,
) -> FitResult:
    """The report's result; every formula recorded on the way is evaluated."""
    shop = msgspec.convert(settings or {}, ShopSettings)
    request = QuoteRequest(evidence=COTTERED, spindle=asked, settings=shop)
    result = fit_result(request, Workshop(), report, known_lengths, Trace())
    check_steps(result.derivation or ())
    return result


def check(result: FitResult, question: FitQuestion) -> FitCheck:
    """What was found of one question; there is exactly one such check."""
    (found,) = (item for item in result.checks if item.question == question)
    return found


def following(result: FitResult) -> SpindleOption:
    """The next spindle, which there must be."""
    assert isinstance(result.next_spindle, NextSpindle)
    return result.next_spindle.option


def spacer(result: FitResult) -> SpacerInstead:
    """The spacer that would do, which there must be."""
    assert isinstance(result.spacer, SpacerInstead)
    return result.spacer


def codes(result: FitResult) -> set[str]:
    """The codes of its cautions."""
    return {caution.code for caution in result.cautions}
