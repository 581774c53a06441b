"""Two hosts under load while things go wrong: ``python -m tests.faults``, as root.

Prints the faults as they happen, drawn from a seed, then figures and what was lost, doubled or changed. The status is 0
where nothing was.
"""

import asyncio
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

import click

from tests import postgres
from tests.faults.ledger import Ledger, Post, Verdict, compare
from tests.faults.memory import MOST_GROWTH
from tests.faults.network import MissingError
from tests.faults.rehearsal import Figures, rehearse
from tests.faults.stage import grounds
from tests.faults.timeline import Plan, soak

MINUTES = 2.0
SOAK_MINUTES = 30.0


@click.command()
@click.option("--minutes", type=float, help="Of load; unless told, 2, and 30 for a soak.")
@click.option("--seed", default=1, show_default=True, help="Of the faults.")
@click.option("--soak", "is_soak", is_flag=True, help="Few faults and an even load; memory must stay flat.")
def main(minutes: float | None, seed: int, *, is_soak: bool) -> None:
    """Run load with faults and say what came of it."""
    seconds = 60 * (minutes or (SOAK_MINUTES if is_soak else MINUTES))
    plan = soak(seed, seconds) if is_soak else Plan(seed, seconds)
    try:
        with grounds() as its:
            folder = Path(tempfile.mkdtemp(prefix="cotterline-faults-"))
            click.echo(f"seed {seed}, logs in {folder}")
            ledger, figures = asyncio.run(rehearse(its, folder, plan, click.echo))
    except (MissingError, postgres.UnavailableError) as error:
        raise click.ClickException(str(error)) from error
    verdict = compare(ledger)
    report(ledger, figures, verdict, tell_growth=is_soak)
    grown = [course.process for course in figures.memory if is_soak and course.growth > MOST_GROWTH]
    for process in grown:
        click.echo(f"{process} grows by more than {MOST_GROWTH:.0f} KB a minute")
    sys.exit(0 if verdict.good and not figures.ended and not grown else 1)


def report(ledger: Ledger, figures: Figures, verdict: Verdict, *, tell_growth: bool) -> None:
    """Write the figures, then what is wrong, line by line."""
    rows = {
        "faults": ", ".join(f"{kind} {n}" for kind, n in sorted(figures.faults.items())),
        "requests": f"{figures.answers.total()}: " + ", ".join(f"{a} {n}" for a, n in sorted(figures.answers.items())),
        "quotes": len(ledger.quotes),
        "orders": len(ledger.orders),
        "changes": sum(len(changes) for changes in ledger.accepted_changes.values()),
        "posts of both": _posts(ledger.supplied),
        "replies": sum(len(statements) for statements in ledger.said.values()),
        "events": len(ledger.events),
        "posts of events": _posts(ledger.told),
        "quoted at once": f"{sum(len(each.numbers) for each in ledger.answers)} bicycles in {len(ledger.answers)} lots",
        "lost": len(verdict.lost),
        "doubled": len(verdict.doubled),
        "changed": len(verdict.changed),
    }
    for name, told in rows.items():
        click.echo(f"{name:<16} {told}")
    for course in figures.memory:
        growth = f", {course.growth:+.0f} KB a minute in the second half" if tell_growth else ""
        click.echo(f"{course.process:<16} {course.told()}{growth}")
    for line in (*verdict.lost, *verdict.doubled, *verdict.changed, *(f"{one} ended" for one in figures.ended)):
        click.echo(line)


def _posts(posts: Sequence[Post]) -> str:
    return f"{len(posts)}, {len(posts) - len({post.subject for post in posts})} of them repeats"


if __name__ == "__main__":
    main()
