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
    Fitting("Ochre roadster, its like, nuts seized", (46.0, 43.0)),
    Fitting("Cream step-through bicycle", (44.0, 42.5)),
)
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


def _print(result: FitResult) -> None:
    for check in result.checks:
        if check.state != "not_measured":
            say(f"{check.state}: {check.words}", deeper="  ")
