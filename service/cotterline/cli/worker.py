"""``cotterline worker``: posts what is due, beside servers that do not."""

import asyncio

import click
import msgspec

from cotterline import logs
from cotterline.cli.database import database_option, make_ready, settings_with, shown_address
from cotterline.main import work


@click.command()
@database_option
@click.option("--log-level", help="debug, info, warning or error; else COTTERLINE_LOG_LEVEL, else info.")
@click.pass_context
def worker(context: click.Context, database: str | None, log_level: str | None) -> None:
    """Post orders and events as they become due, and do nothing else.

    Any number of these may run at once on PostgreSQL; set COTTERLINE_WORKER=off for the servers beside them. The
    database must have the tables of this version. Log lines go to standard output. Ctrl-C stops it once the posts
    under way are done; of one that is killed, another takes over what it was at after a minute. With
    COTTERLINE_WORKER_PORT it tells there whether it is well, and what it counts.
    """
    settings = settings_with({"DATABASE_URL": database, "LOG_LEVEL": log_level})
    make_ready(settings.database_url, may_migrate=False)
    logs.write_json(settings.log_level)
    click.echo(f"Posting what is due in {shown_address(settings.database_url)}. Ctrl-C stops it.", err=True)
    context.exit(0 if asyncio.run(work(msgspec.structs.replace(settings, worker="on"))) else 1)
