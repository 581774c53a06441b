"""The demonstration's last part: spindles are fitted and measured, two miss and are exchanged, and all pass."""

from typing import Final, NamedTuple

import click
import msgspec
from msgspec import UnsetType

from cotterline.api.exchanges import Exchange
from cotterline.api.kept_quote import Quote
from cotterline.bench.chain.methods import MeasuredChainLine
from cotterline.bench.fit.report import FitReportRequest, RunOutReading, TorqueReading
from cotterline.bench.fit.result import FitResult
from cotterline.bench.quantity import Reading
from cotterline.bench.quotes import shell_of
from cotterline.bench.spindle.question import SpindleRequest
from cotterline.bench.spindle_options import SpindleResult
from cotterline.cli.demo_orders import DemoOrders, say
from cotterline.cli.local_service import LocalService, LocalServiceError
from cotterline.delivery.fit_report_events import FitReport

HEADING: Final = "From the stand to the road"


class Fitting(NamedTuple):
    """A bicycle that is fitted.

    Attributes:
        reference: of its quote.
        measured: the chain line on each spindle that was fitted, in mm by a ruler; all but the last one miss.
    """

    reference: str
    measured: tuple[float, ...]


FITTED: Final = (
    Fitting("Blue tourer, read in inches", (43.5,)),
    Fitting("Green roadster, cottered", (43.0,)),
    Fitting("Ochre roadster, its like, nuts seized", (45.5, 42.5)),
    Fitting("Cream step-through bicycle", (43.5, 42.0)),
)
LIKE: Final = "Olive roadster, British, cottered"
"""A bicycle that is not fitted yet; its new crank is named as the Green roadster's is."""

_RUN_OUT: Final = tuple(
    RunOutReading(position=number, wobble=Reading(value=wobble, tool="caliper"))
    for number, wobble in enumerate((0.9, 0.4, 0.7, 0.6), 1)
)
_TORQUES: Final = (TorqueReading(fastener="crank_bolt", value=40), TorqueReading(fastener="cartridge_unit", value=55))


class DemoFits:
    """Fits what was ordered, exchanges what misses, and prints what the service says of it.

    Args:
        service: the running service.
        orders: what was ordered before; exchanges are followed the same way.
    """

    def __init__(self, service: LocalService, orders: DemoOrders) -> None:
        self._service = service
        self._orders = orders

    def fit(self, quotes: list[Quote]) -> None:
        """Fit the chosen bicycles and print what came of each."""
        click.echo(f"{HEADING}\n")
        for chosen in FITTED:
            (quote,) = (quote for quote in quotes if quote.reference == chosen.reference)
            click.echo(chosen.reference)
            self._fit(quote, chosen)
            click.echo()
        self._ask_again(next(quote for quote in quotes if quote.reference == LIKE))

    def _ask_again(self, quote: Quote) -> None:
        """Ask for a bicycle that has a fitted crank's like, and print what was learned meanwhile."""
        asked, before = quote.request.spindle, quote.result.spindle
        if isinstance(asked, UnsetType) or isinstance(before, UnsetType):
            raise LocalServiceError(f"{quote.reference} asks for no spindle")
        body = msgspec.json.encode(SpindleRequest(question=asked, shell=shell_of(quote.result.verdict)))
        after = msgspec.json.decode(self._service.act("/v1/spindle-options", body), type=SpindleResult)
        click.echo(f"{LIKE}: its new crank is like the Green roadster's")
        say(f"before that was fitted: {_predicted(before)}")
        say(f"asked again: {_predicted(after)}")
        click.echo()

    def _fit(self, quote: Quote, chosen: Fitting) -> None:
        for measured in chosen.measured[:-1]:
            missed = self._report(quote, measured, "missed")
            self._exchange(missed)
        self._report(quote, chosen.measured[-1], "passed")
        visit = msgspec.json.decode(self._service.get(f"/v1/quotes/{quote.id}/recheck-visit"))
        say(f"to be looked at again on {visit['due_at'][:10]}")

    def _report(self, quote: Quote, measured: float, expected: str) -> FitReport:
        line = MeasuredChainLine(chain_line=Reading(value=measured))
        report = FitReportRequest(chain_lines=(line,), run_out=_RUN_OUT, torques=_TORQUES, shifting="good")
        made = self._service.post(f"/v1/quotes/{quote.id}/fit-reports", msgspec.json.encode(report))
        kept = msgspec.json.decode(made, type=FitReport)
        if kept.outcome != expected:
            raise LocalServiceError(f"{quote.reference} {kept.outcome} and not {expected}: {kept.result.summary}")
        say(kept.result.summary)
        _print(kept.result)
        return kept

    def _exchange(self, missed: FitReport) -> None:
        made = self._service.post(f"/v1/fit-reports/{missed.id}/exchanges", b"{}")
        exchange = msgspec.json.decode(made, type=Exchange)
        if isinstance(exchange.ordered, UnsetType):
            raise LocalServiceError("nothing was ordered for a spindle that missed")
        self._orders.follow(exchange.ordered.id, "dispatched")


def _predicted(spindle: SpindleResult) -> str:
    first, line = spindle.first, spindle.first.chain_line
    chance = f"{first.probability_within:.0%} that it fits"
    reached = f"chain line {line.value:.1f} ± {line.plus_minus:.1f} {line.unit}"
    return f"{first.spindle_length.value:g} {line.unit} first, {reached}, {chance}"


def _print(result: FitResult) -> None:
    say(f"truly within what is allowed, given the ruler: {result.probability_within:.0%}", deeper="  ")
    for check in result.checks:
        if check.state != "not_measured" and check.question != "chain_line":  # which the summary tells
            say(f"{check.state}: {check.words}", deeper="  ")
