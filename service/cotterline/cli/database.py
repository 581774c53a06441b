"""The database a command works on: where it is, and whether its tables are those of this version."""

import asyncio
import os
from collections.abc import Callable, Coroutine, Mapping
from contextlib import suppress
from typing import Any, TypeVar

import click
from alembic.util import CommandError
from sqlalchemy.exc import SQLAlchemyError

from cotterline.bench.errors import CotterlineError
from cotterline.settings import Settings, from_environment
from cotterline.store import migrate
from cotterline.store.address import driver_url
from cotterline.store.backups import BackupError
from cotterline.store.database import Database

Outcome = TypeVar("Outcome")


def warned(_ctx: click.Context, param: click.Parameter, url: str | None) -> str | None:
    """The address as it is, with a warning where a password stands in it."""
    with suppress(ValueError):
        if url and driver_url(url).password:
            option = param.opts[0]
            click.echo(_READABLE.format(option=option, instead=_INSTEAD[option]), err=True)
    return url


_READABLE = "Warning: everybody on this machine can read the password in {option} while this runs. {instead}"
_INSTEAD = {
    "--database": "Set COTTERLINE_DATABASE_URL instead.",
    "--to": "Leave it out and set PGPASSWORD instead.",
}

database_option = click.option(
    "--database",
    metavar="URL",
    callback=warned,
    help="sqlite:///FILE or postgresql://USER@HOST/NAME; else COTTERLINE_DATABASE_URL, where a password may stand, "
    "else a file here.",
)


def settings_with(options: Mapping[str, str | None]) -> Settings:
    """The environment's settings, with what the command line says instead.

    Raises:
        UsageError: a setting is unknown or has no sensible value.
    """
    given = {f"COTTERLINE_{name}": value for name, value in options.items() if value is not None}
    try:
        return from_environment({**os.environ, **given})
    except CotterlineError as error:
        found = "; ".join(f"{fault.pointer[1:]}: {fault.detail}" for fault in error.faults)
        raise click.UsageError(f"these settings cannot be used: {found}.") from error


def migrated(url: str) -> str:
    """Bring the database to this version's tables and return the revision it is at then."""
    return on_database(url, migrate.migrate(url))


def make_ready(url: str, *, may_migrate: bool) -> None:
    """Migrate where that is asked for or can change nothing that is kept; else see that nothing is left to migrate.

    Raises:
        ClickException: the database cannot be used, or lacks steps of this version.
    """
    new_file = driver_url(url).get_backend_name() == "sqlite" and on_database(url, migrate.current(url)) is None
    if may_migrate or new_file:
        migrated(url)
    elif lacking := on_database(url, migrate.pending(url)):
        steps = ", ".join(lacking)
        raise click.ClickException(
            f"{shown_address(url)} lacks these steps of this version: {steps}. Keep a copy of it, then run "
            "`cotterline migrate`, or start with --migrate."
        )


def with_database(url: str, work: Callable[[Database], Coroutine[Any, Any, Outcome]]) -> Outcome:
    """Open the database, do the work and close it.

    Raises:
        ClickException: the database cannot be used.
    """
    return on_database(url, _opened(url, work))


async def _opened(url: str, work: Callable[[Database], Coroutine[Any, Any, Outcome]]) -> Outcome:
    database = await Database.open(url)
    try:
        return await work(database)
    finally:
        await database.close()


def shown_address(url: str) -> str:
    """The database's address as it may be shown: without the driver, the password as stars."""
    address = driver_url(url)
    return address.set(drivername=address.get_backend_name()).render_as_string()


def on_database(url: str, work: Coroutine[Any, Any, Outcome]) -> Outcome:
    """Run work on a database to its end.

    Raises:
        ClickException: the database cannot be used.
    """
    try:
        return asyncio.run(work)
    except BackupError as error:
        raise click.ClickException(f"{shown_address(url)}: {error}.") from error
    except (CommandError, SQLAlchemyError, OSError) as error:
        # The driver's own words: around them stand the statement and its parameters.
        cause = getattr(error, "orig", None) or error
        raise click.ClickException(f"{shown_address(url)} cannot be used: {cause}") from error
