"""Every benchmark: ``python -m tests.benchmarks``, on an idle machine; or some of them, by name.

Each prints its figures beside the bounds they are held against, and where a bound is missed, what bounds it. The page
on speed is renewed with what was measured. The status is 0 where every bound is kept.
"""

import signal
import sys
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, NoReturn

import click

from tests.benchmarks import (
    deliveries,
    large_tables,
    one_call,
    other_framework,
    quote_runs,
    speed_page,
    start_up,
    stored_quotes,
    streams,
)
from tests.benchmarks.figures import Outcome, rows
from tests.benchmarks.grounds import LONG, NORMAL, SHORT, Grounds, Size

BENCHMARKS: Final[Mapping[str, Callable[[Grounds, Size], Outcome]]] = {
    "one-call": one_call.measure,
    "stored-quotes": stored_quotes.measure,
    "streams": streams.measure,
    "quote-runs": quote_runs.measure,
    "start-up": start_up.measure,
    "deliveries": deliveries.measure,
    "large-tables": large_tables.measure,
    "other-framework": other_framework.measure,
}


@click.command(help=__doc__)
@click.argument("names", nargs=-1, type=click.Choice([*BENCHMARKS]))
@click.option("--short", is_flag=True, help="Do little, to see whether it works; the page is left as it is.")
@click.option("--long", is_flag=True, help="Stream a million lines, however long that takes.")
@click.option("--rows", type=click.IntRange(min=2_000), help="Rows behind in a large table, instead of ten million.")
def main(names: Sequence[str], rows: int | None, *, short: bool, long: bool) -> None:
    """Measure what was asked for, and tell it."""
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, _leave)
    size = SHORT if short else LONG if long else NORMAL
    if rows is not None:
        size = size._replace(rows=(rows,))
    missed = False
    for name in names or BENCHMARKS:
        with tempfile.TemporaryDirectory() as folder, Grounds(Path(folder)) as grounds:
            missed |= _run(name, grounds, size, renew=not short).missed
    sys.exit(1 if missed else 0)


def _leave(*_: object) -> NoReturn:
    """End what was started as well, whoever asked for the end, and from where."""
    sys.exit(2)


def _run(name: str, grounds: Grounds, size: Size, *, renew: bool) -> Outcome:
    began = time.perf_counter()
    outcome = BENCHMARKS[name](grounds, size)
    click.echo(f"\n{name}, {time.perf_counter() - began:.0f} s\n")
    click.echo("\n".join([*rows(outcome.figures), *outcome.profile]))
    if renew:
        speed_page.renew(name, outcome, datetime.now(UTC).date())
    return outcome


if __name__ == "__main__":
    main()
