"""``cotterline backup``: everything that is kept, in one file, while the service goes on."""

import gzip
import os
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from tempfile import mkstemp
from typing import Final

import click
import msgspec

from cotterline.cli.database import database_option, on_database, settings_with, shown_address
from cotterline.store import backups

ENDING: Final = ".jsonl.gz"


@click.command()
@click.argument("target", type=click.Path(path_type=Path))
@database_option
def backup(target: Path, database: str | None) -> None:
    """Write all that is kept to the file TARGET, or to a new file in the folder TARGET, while the service goes on.

    It holds what was there at one moment, of every shop, and can be restored to SQLite and to PostgreSQL. Whoever
    reads it reads shops' data: keep it as you keep the database. Secrets in it stay encrypted, and the keys that open
    them are not in it: keep COTTERLINE_SECRET_KEYS, or on SQLite the file that ends in .secret-key, in another place.
    """
    url = settings_with({"DATABASE_URL": database}).database_url
    now = datetime.now(UTC)
    file = target / f"cotterline-{now:%Y-%m-%dT%H%M%SZ}{ENDING}" if target.is_dir() else target
    rows = on_database(url, _written(backups.lines(url, now), file))
    click.echo(f"{file} holds the {rows} rows of {shown_address(url)}, {file.stat().st_size} bytes.")


async def _written(lines: AsyncIterator[bytes], file: Path) -> int:
    """Write lines to a file, and return how many rows the last one says there are."""
    line = b""
    with _whole(file) as packed:
        async for line in lines:
            packed.write(line)
    return msgspec.json.decode(line, type=backups.End).rows


@contextmanager
def _whole(file: Path) -> Iterator[gzip.GzipFile]:
    """Make a file that only its owner may read, and that is there once it is whole, or not at all."""
    made, name = mkstemp(prefix=f".{file.name}.", dir=file.parent)  # mode 0600
    try:
        with os.fdopen(made, "wb") as plain:
            with gzip.GzipFile(filename="", fileobj=plain, mode="wb") as packed:
                yield packed
            plain.flush()
            os.fsync(plain.fileno())
        Path(name).rename(file)
    except OSError as error:
        raise backups.BackupError(f"{file} cannot be written: {error.strerror}") from error
    finally:
        Path(name).unlink(missing_ok=True)
