"""``cotterline migrate``: bring a database to the tables of this version."""

import click

from cotterline.cli.database import database_option, migrated, settings_with, shown_address


@click.command()
@database_option
def migrate(database: str | None) -> None:
    """Bring the database to the tables of this version, creating them if there are none.

    Keep a copy of a database that matters before it is changed. Running this again changes nothing.
    """
    url = settings_with({"DATABASE_URL": database}).database_url
    revision = migrated(url)
    click.echo(f"{shown_address(url)} is at revision {revision}.")
