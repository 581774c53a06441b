"""``cotterline move``: a database's content in another one, from SQLite to PostgreSQL or back."""

from datetime import UTC, datetime

import click

from cotterline.cli.database import database_option, on_database, settings_with, shown_address, warned
from cotterline.store import backups
from cotterline.store.address import driver_url
from cotterline.store.cipher import key_file


@click.command()
@click.option(
    "--to", "target", metavar="URL", required=True, callback=warned, help="The empty database that everything goes to."
)
@database_option
def move(target: str, database: str | None) -> None:
    """Put everything that is kept into the empty database at --to, and leave the one it comes from as it is.

    Stop the service first: what it writes meanwhile is not taken along. Then start it with the new address, and never
    again with the old one: both would post what waits.
    """
    url = settings_with({"DATABASE_URL": database}).database_url
    to = settings_with({"DATABASE_URL": target}).database_url
    now = datetime.now(UTC)
    filled = on_database(to, backups.fill(to, backups.lines(url, now), at=now))
    click.echo(f"{shown_address(to)} holds the {filled.rows} rows of {shown_address(url)}.")
    if driver_url(url).get_backend_name() == "sqlite" and driver_url(to).get_backend_name() != "sqlite":
        click.echo(
            f"Secrets stay encrypted as they were: set COTTERLINE_SECRET_KEYS to what it was, or else to what "
            f"{key_file(url)} holds."
        )
