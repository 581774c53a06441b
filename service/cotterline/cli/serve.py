"""``cotterline serve``: the service, on a database whose tables are those of this version."""

import signal
import sys
from typing import NoReturn

import click

from cotterline import logs
from cotterline.cli.database import database_option, make_ready, settings_with
from cotterline.main import server


@click.command()
@click.option("--host", help="Address to listen on; else COTTERLINE_HOST, else this machine alone.")
@click.option("--port", help="Port to listen on; else COTTERLINE_PORT, else 8000.")
@database_option
@click.option("--log-level", help="debug, info, warning or error; else COTTERLINE_LOG_LEVEL, else info.")
@click.option("--migrate", "may_migrate", is_flag=True, help="Bring the database to this version's tables first.")
def serve(
    host: str | None, port: str | None, database: str | None, log_level: str | None, *, may_migrate: bool
) -> None:
    """Start the service.

    A new SQLite file gets its tables by itself. Any other database must have the tables of this version already: run
    `cotterline migrate` first, or give --migrate. Log lines go to standard output. Ctrl-C stops the service once the
    requests under way are answered.
    """
    options = {"HOST": host, "PORT": port, "DATABASE_URL": database, "LOG_LEVEL": log_level}
    settings = settings_with(options)
    make_ready(settings.database_url, may_migrate=may_migrate)
    logs.write_json(settings.log_level)
    address = f"[{settings.host}]" if ":" in settings.host else settings.host
    click.echo(f"Serving http://{address}:{settings.port}, documentation at /docs. Ctrl-C stops it.", err=True)
    for number in (signal.SIGINT, signal.SIGTERM):
        # The server handles both while it runs, and once it has stopped raises what it got again.
        signal.signal(number, _leave)
    server(settings).run()


def _leave(*_: object) -> NoReturn:
    sys.exit(0)
