"""``cotterline quote``: the whole job for every bicycle of a file, here or by a service elsewhere."""

import os
import shlex
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import BinaryIO, Final

import click
from rich.console import Console

from cotterline.api.bicycles.bike import Refused, UnreadableError, printable
from cotterline.api.bicycles.columns import COLUMNS, COMPANIONS
from cotterline.cli.answered import Answered, Order, here, there
from cotterline.cli.bikes_file import Form
from cotterline.cli.progress import ReadingProgress, RunProgress
from cotterline.cli.quote_table import QuoteTable
from cotterline.cli.remote_service import DeclinedError, NotAnsweredError, RemoteService
from cotterline.settings import KEY_VARIABLE

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


def _remote_service(_ctx: click.Context, _option: click.Parameter, url: str | None) -> RemoteService | None:
    """The service at an address given as an option."""
    if url is None:
        return None
    key = os.environ.get(KEY_VARIABLE, "").strip()
    if not key:
        raise click.BadParameter(f"put a key of the service into the variable {KEY_VARIABLE}.")
    try:
        return RemoteService(url, key)
    except ValueError as error:
        raise click.BadParameter(f"{error}.") from error


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
@click.option(
    "--service",
    metavar="URL",
    callback=_remote_service,
    help=f"Have the service at URL quote, with the shop's settings and prices and the key in {KEY_VARIABLE}.",
)
@click.option("--run", "run_id", metavar="ID", help="With --service: go on with a run that was left, of the same FILE.")
@click.pass_context
def quote(  # noqa: PLR0913 - each an option
    ctx: click.Context,
    file: BinaryIO,
    written_as: str,
    read_as: Form | None,
    service: RemoteService | None,
    *,
    run_id: str | None,
    derivation: bool,
) -> None:
    """Quote every bicycle of FILE.

    FILE holds quote requests as JSON (one, an array, or one a line), or bicycles as CSV, one a row under a line of
    column names; - reads standard input. A bicycle that cannot be quoted is named on standard error, and the others
    go on.

    With --service it is sent to a service as a run, which goes on whatever happens to the connection or to this
    command. While the service does not answer it is asked again, for ten minutes.

    The status is 0 if all were quoted, 1 if some were refused, 2 if FILE cannot be read.
    """
    errors, output = Console(stderr=True), Console()
    on_screen = errors.is_terminal and output.is_terminal
    # On one screen the table goes through the bar's console, which keeps the bar below it.
    write = _table(errors if on_screen else output) if written_as == "table" else _json_line
    wanted = written_as == "table" or not on_screen
    if service is None:
        with ReadingProgress(file, errors, wanted=wanted) as reading:
            refused = _write_all(_readable(here(file, read_as, reading, derivation=derivation), file), write, errors)
    else:
        with RunProgress(file, errors, wanted=wanted) as sending, _left(service, file.name, run_id) as begun:
            order = Order(file, read_as, run_id, derivation=derivation)
            found = there(service, order, begun, sending.show)
            refused = _write_all(_readable(found, file), write, errors)
    ctx.exit(SOME_REFUSED if refused else 0)


def refusals(refused: Refused) -> Iterator[str]:
    """One line for each reason."""
    name = f"{refused.place} ({refused.reference})" if refused.reference else refused.place
    for reason in refused.reasons:
        yield printable(f"{name}: {reason}")


def _write_all(found: Iterator[Answered | Refused], write: Callable[[Answered], None], errors: Console) -> int:
    """Write every answer, say how many there were, and return how many of them were refusals."""
    counts = {Answered: 0, Refused: 0}
    for each in found:
        counts[type(each)] += 1
        if isinstance(each, Answered):
            write(each)
        else:
            errors.print("\n".join(refusals(each)), markup=False, highlight=False, soft_wrap=True)
    click.echo(f"{counts[Answered]} quoted, {counts[Refused]} refused.", err=True)
    return counts[Refused]


def _readable(found: Iterator[Answered | Refused], file: BinaryIO) -> Iterator[Answered | Refused]:
    try:
        yield from found
    except UnreadableError as error:
        raise click.UsageError(f"{file.name} cannot be read as a file of bicycles: {error}.") from error


@contextmanager
def _left(service: RemoteService, name: str, run_id: str | None) -> Iterator[Callable[[str], None]]:
    """Give what takes the run's id, and should the command end too soon say why and how to go on."""
    begun = [run_id] if run_id else []
    try:
        yield begun.append
    except DeclinedError as error:
        raise click.ClickException(f"{service.url} will not: {error}") from error
    except NotAnsweredError as error:
        raise click.ClickException(
            f"{service.url} does not answer: {error}\n{_how_to_go_on(service, name, begun)}"
        ) from error
    except KeyboardInterrupt:
        click.echo(_how_to_go_on(service, name, begun), err=True)
        raise


def _how_to_go_on(service: RemoteService, name: str, begun: list[str]) -> str:
    if not begun:
        return "Nothing was begun."
    return (
        f"The run goes on with what was sent. To send the rest and have every answer from the first on:\n"
        f"cotterline quote {shlex.quote(name)} --service {service.url} --run {begun[0]}"
    )


def _table(console: Console) -> Callable[[Answered], None]:
    table = QuoteTable(console)
    return lambda found: table.print(found.name, found.result())


def _json_line(found: Answered) -> None:
    click.echo(found.line())
