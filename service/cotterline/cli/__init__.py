"""The command line: what ``cotterline --help`` lists."""

import sys
from io import TextIOWrapper

import click

import cotterline
from cotterline.cli.demo import demo
from cotterline.cli.examples import examples
from cotterline.cli.key import key
from cotterline.cli.migrate import migrate
from cotterline.cli.openapi import openapi
from cotterline.cli.practice_supplier import practice_supplier
from cotterline.cli.problems import problems
from cotterline.cli.quote import quote
from cotterline.cli.secrets import secrets
from cotterline.cli.serve import serve
from cotterline.cli.shop import shop
from cotterline.cli.worker import worker

INTERRUPTED = 130
"""Status of a command ended by Ctrl-C, as shells have it."""


@click.group()
@click.version_option(cotterline.__version__)
def cotterline_command() -> None:
    """Thread verdicts, spindle lengths, chain lines and parts lists for bicycle workshops.

    Settings come from variables that begin with COTTERLINE_; options, where a command has them, go before.
    """


for command in (
    demo,
    quote,
    serve,
    worker,
    migrate,
    shop,
    key,
    secrets,
    practice_supplier,
    openapi,
    examples,
    problems,
):
    cotterline_command.add_command(command)


def main() -> None:
    """Run the command line and end the process."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="replace")  # a plus-minus sign must not end a table on a terminal without one
    try:
        status = cotterline_command.main(prog_name="cotterline", standalone_mode=False)
    except click.Abort:
        click.echo("Interrupted.", err=True)
        sys.exit(INTERRUPTED)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    sys.exit(status or 0)
