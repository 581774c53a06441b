"""``cotterline quote``: the whole job for every bicycle of a file, without a service."""

from collections.abc import Callable, Iterator
from typing import BinaryIO, Final

import click
import msgspec
from rich.console import Console

from cotterline.api.bicycles.bike import Bike, Quoted, Refused, UnreadableError, answer, printable
from cotterline.api.bicycles.columns import COLUMNS, COMPANIONS
from cotterline.api.bicycles.told import QuotedLine
from cotterline.bench.workshop import Workshop
from cotterline.cli.bikes_file import Form, bikes
from cotterline.cli.progress import ReadingProgress
from cotterline.cli.quote_table import QuoteTable

SOME_REFUSED: Final = 1


class _WithColumns(click.Command):
    """A command whose help ends with the columns a file may have."""

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the columns as two lists, lengths apart."""
        del ctx
        lengths = [(column.name, column.words) for column in COLUMNS.values() if column.cell == "length"]
        others = [(column.name, column.words) for column in COLUMNS.values() if column.cell != "length"]
        with formatter.section("Columns of a CSV file, any of them in any order"):
            formatter.write_dl(others)
        with formatter.section("Columns for lengths, as numbers with a decimal point"):
            formatter.write_dl(lengths)
            formatter.write_paragraph()
            endings = ", ".join(f"_{ending}" for ending in COMPANIONS)
            formatter.write_text(
                f"Each length may have three more columns, named after it with {endings}: its own unit, what it was "
                "read with (ruler, caliper or gauge; a ruler if empty), and how far the reading may be out."
            )


@click.command(cls=_WithColumns)
@click.argument("file", type=click.File("rb"))
@click.option(
    "--as",
    "written_as",
    type=click.Choice(["table", "json-lines"]),
    default="table",
    show_default=True,
    help="What to write.",
)
@click.option(
    "--read-as",
    type=click.Choice(["json", "json-lines", "csv"]),
    help="What FILE holds; unless given, its name and its first line tell.",
)
@click.option("--derivation", is_flag=True, help="Say of every number how it came about.")
@click.pass_context
def quote(ctx: click.Context, file: BinaryIO, written_as: str, read_as: Form | None, *, derivation: bool) -> None:
    """Quote every bicycle of FILE.

    FILE holds quote requests as JSON (one, an array, or one a line), or bicycles as CSV, one a row under a line of
    column names; - reads standard input. A bicycle that cannot be quoted is named on standard error, and the others
    go on.

    The status is 0 if all were quoted, 1 if some were refused, 2 if FILE cannot be read.
    """
    errors, output = Console(stderr=True), Console()
    on_screen = errors.is_terminal and output.is_terminal
    # On one screen the table goes through the bar's console, which keeps the bar below it.
    write = _table(errors if on_screen else output) if written_as == "table" else _json_line
    counts = {Quoted: 0, Refused: 0}
    with ReadingProgress(file, errors, wanted=written_as == "table" or not on_screen) as progress:
        for found in _answers(file, read_as, derivation=derivation):
            counts[type(found)] += 1
            if isinstance(found, Quoted):
                write(found)
            else:
                errors.print("\n".join(refusals(found)), markup=False, highlight=False, soft_wrap=True)
            progress.one_done()
    click.echo(f"{counts[Quoted]} quoted, {counts[Refused]} refused.", err=True)
    ctx.exit(SOME_REFUSED if counts[Refused] else 0)


def refusals(refused: Refused) -> Iterator[str]:
    """One line for each reason."""
    name = f"{refused.place} ({refused.reference})" if refused.reference else refused.place
    for reason in refused.reasons:
        yield printable(f"{name}: {reason}")


def _answers(file: BinaryIO, form: Form | None, *, derivation: bool) -> Iterator[Quoted | Refused]:
    try:
        for item in bikes(file, file.name, form):
            yield answer(item, Workshop(), derivation=derivation) if isinstance(item, Bike) else item
    except UnreadableError as error:
        raise click.UsageError(f"{file.name} cannot be read as a file of bicycles: {error}.") from error


def _table(console: Console) -> Callable[[Quoted], None]:
    table = QuoteTable(console)
    return lambda quoted: table.print(quoted.bike.reference, quoted.result)


def _json_line(quoted: Quoted) -> None:
    click.echo(msgspec.json.encode(QuotedLine.of(quoted)))
