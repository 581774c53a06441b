"""The command line: what ``cotterline --help`` lists."""

import sys
from importlib import import_module
from io import TextIOWrapper
from typing import Final

import click

import cotterline

COMMANDS: Final = (
    "demo",
    "quote",
    "serve",
    "worker",
    "migrate",
    "backup",
    "restore",
    "move",
    "doctor",
    "shop",
    "key",
    "secrets",
    "practice-supplier",
    "check-receiver",
    "check-supplier",
    "openapi",
    "examples",
    "drawings",
    "problems",
)
"""In the order they are listed; each is the function of its module's name."""

INTERRUPTED = 130
"""Status of a command ended by Ctrl-C, as shells have it."""


class Commands(click.Group):
    """Commands whose modules are loaded when they are called: to issue a key needs no server.

    >>> Commands(name="x").list_commands(click.Context(Commands(name="x")))[0]
    'demo'
    """

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The names of the commands."""
        del ctx
        return [*COMMANDS]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of that name, if there is one."""
        del ctx
        if cmd_name not in COMMANDS:
            return None
        name = cmd_name.replace("-", "_")
        command: click.Command = getattr(import_module(f"cotterline.cli.{name}"), name)
        return command


@click.group(cls=Commands)
@click.version_option(cotterline.__version__)
def cotterline_command() -> None:
    """Thread verdicts, spindle lengths, chain lines and parts lists for bicycle workshops.

    Settings come from variables that begin with COTTERLINE_; options, where a command has them, go before.
    """


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
