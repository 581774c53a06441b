"""Two hosts under load while things go wrong: ``python -m tests.faults``, as root.

Prints the faults as they happen, drawn from a seed, then figures and what was lost, doubled or changed. The status is 0
where nothing was.
"""

import asyncio
import sys
import tempfile
from pathlib import Path

import click

from tests import postgres
from tests.faults.ledger import Ledger, Verdict, compare
from tests.faults.memory import MOST_GROWTH
from tests.faults.network import MissingError, network
from tests.faults.rehearsal import Figures, rehearse
from tests.faults.timeline import Plan, soak

SOAK_MINUTES = 30.0


@click.command()
@click.option("--minutes", default=2.0, show_default=True, help="Of load; 30 for a soak, unless told otherwise.")
@click.option("--seed", default=1, show_default=True, help="Of the faults.")
@click.option("--soak", "is_soak", is_flag=True, help="Few faults and an even load; memory must stay flat.")
@click.pass_context
def main(context: click.Context, minutes: float, seed: int, *, is_soak: bool) -> None:
    """Run load with faults and say what came of it."""
    if is_soak and context.get_parameter_source("minutes") is click.core.ParameterSource.DEFAULT:
        minutes = SOAK_MINUTES
    plan = soak(seed, minutes * 60) if is_soak else Plan(seed, minutes * 60)
    try:
        with network(2) as joined, postgres.own_server(joined.outside, joined.prefix) as own:
            folder = Path(tempfile.mkdtemp(prefix="cotterline-faults-"))
            click.echo(f"seed {seed}, logs in {folder}")
            ledger, figures = asyncio.run(rehearse(own, joined, folder, plan, click.echo))
    except (MissingError, postgres.UnavailableError) as error:
        raise click.ClickException(str(error)) from error
    verdict = compare(ledger)
    report(ledger, figures, verdict)
    grown = [course.process for course in figures.memory if is_soak and course.growth > MOST_GROWTH]
    for process in grown:
        click.echo(f"{process} grows by more than {MOST_GROWTH:.0f} KB a minute")
    sys.exit(0 if verdict.good and not figures.ended and not grown else 1)


def report(ledger: Ledger, figures: Figures, verdict: Verdict) -> None:
    """Write the figures, then what is wrong, line by line."""
    rows = {
        "faults": ", ".join(f"{kind} {n}" for kind, n in sorted(figures.faults.items())),
        "requests": f"{figures.answers.total()}: " + ", ".join(f"{a} {n}" for a, n in sorted(figures.answers.items())),
        "quotes": len(ledger.quotes),
        "orders": len(ledger.orders),
        "posts of orders": f"{len(ledger.supplied)}, {len(ledger.supplied) - len(ledger.orders)} of them repeats",
        "events": len(ledger.events),
        "posts of events": f"{len(ledger.told)}, {len(ledger.told) - len(ledger.events)} of them repeats",
        "lost": len(verdict.lost),
        "doubled": len(verdict.doubled),
        "changed": len(verdict.changed),
    }
    for name, told in rows.items():
        click.echo(f"{name:<16} {told}")
    for course in figures.memory:
        click.echo(f"{course.process:<16} {course.told()}")
    for line in (*verdict.lost, *verdict.doubled, *verdict.changed, *(f"{one} ended" for one in figures.ended)):
        click.echo(line)


if __name__ == "__main__":
    main()
