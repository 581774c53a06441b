"""An invented exchange for the API document, by the example of a fit report."""

from cotterline.api.exchange_placing import Exchanged
from cotterline.api.fit_report_examples import example_row as example_report
from cotterline.api.order_examples import example_row
from cotterline.bench.exchanges import ExchangeRequest
from cotterline.bench.orders import LineChange
from cotterline.store.exchanges import ExchangeRow


def example_exchange(asked: ExchangeRequest) -> Exchanged:
    """A length from the shelf, for the one that the example's order brought."""
    report = example_report()
    length = asked.spindle_length_mm or report.spindle_length
    kept = ExchangeRow(
        fit_report_id=report.id,
        created_at=report.created_at,
        actor=report.actor,
        quote_id=report.quote_id,
        spindle_length=length,
        order_id=None,
    )
    back = LineChange(line=1, change="return", quantity=1)
    return Exchanged(kept, None, example_row("sent", changes=(back,)))
