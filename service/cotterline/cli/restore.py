"""``cotterline restore``: a database filled from a backup."""

import gzip
import zlib
from collections.abc import AsyncIterator
from datetime import UTC, datetime
from pathlib import Path

import click

from cotterline.cli.database import database_option, on_database, settings_with, shown_address
from cotterline.store import backups


@click.command()
@click.argument("file", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@database_option
@click.option("--keep-posting", is_flag=True, help="Go on posting what waits, and leave every receiver as it was.")
def restore(file: Path, database: str | None, *, keep_posting: bool) -> None:
    """Fill an empty database with what the backup FILE holds, whole or not at all.

    What was still to be posted when the backup was made may have been posted since, and orders of later may be unknown
    here. So every supplier and subscription is disabled: nothing leaves until the shop has compared with them and
    enables each.
    """
    url = settings_with({"DATABASE_URL": database}).database_url
    now = datetime.now(UTC)
    stopped = "" if keep_posting else f"Restored on {now:%Y-%m-%d} from a backup: compare with them, then enable."
    filled = on_database(url, backups.fill(url, _lines(file), stopped=stopped, at=now))
    click.echo(
        f"{shown_address(url)} holds {filled.rows} rows as they were on {filled.head.made_at:%Y-%m-%d %H:%M:%S} UTC."
    )
    if filled.stopped:
        click.echo(f"{filled.stopped} receivers are disabled until their shops enable them.")


async def _lines(file: Path) -> AsyncIterator[bytes]:
    try:
        with gzip.open(file) as unpacked:
            for line in unpacked:
                yield line
    except (EOFError, gzip.BadGzipFile, zlib.error) as error:
        raise backups.BackupError("it is damaged, or ends too early") from error
