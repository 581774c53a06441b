"""An invented fit report for the API document, judged by the example of a quote, so that what it shows is true."""

import functools
from uuid import UUID

import msgspec

from cotterline.api import examples
from cotterline.api.fit_report_taking import not_ordered, row_of
from cotterline.api.kept_quote import Stamp
from cotterline.api.operation import EXAMPLE_ID
from cotterline.api.order_examples import example_document
from cotterline.api.quotes import EXAMPLE_NOW, example_quote
from cotterline.bench.derivation import Trace
from cotterline.bench.fit.report import FitReportRequest
from cotterline.bench.fit_reports import fit_result
from cotterline.bench.parts_list import measure
from cotterline.bench.quotes import QuoteRequest
from cotterline.bench.workshop import Workshop
from cotterline.delivery.fit_report_events import KeptEntry, KeptFitReport, entry, whole
from cotterline.store.fit_reports import FitReportRow


@functools.cache
def example_row() -> FitReportRow:
    """The report as it is kept."""
    held = example_quote()
    report = examples.typed("fit_report", FitReportRequest)
    asked = msgspec.json.decode(held.revision.request, type=QuoteRequest)
    lines = example_document().lines
    lengths = [measure(line.properties, "spindle_length") for line in lines]
    known = [length for length in lengths if length is not None]
    known += not_ordered(held, {line.parts_line for line in lines})
    result = fit_result(asked, Workshop(), report, known, Trace())
    row = row_of(held, report, known, result, Stamp(id=UUID(EXAMPLE_ID), now=EXAMPLE_NOW))
    return msgspec.structs.replace(row, actor=EXAMPLE_ID)


def example_told(_: object = None) -> KeptFitReport:
    """The report in full."""
    return whole(example_row())


def example_entry() -> KeptEntry:
    """What a list shows of it."""
    return entry(example_row())
