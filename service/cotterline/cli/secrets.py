"""``cotterline secrets``: the keys that suppliers' and subscriptions' secrets are encrypted with."""

from uuid import UUID

import click

from cotterline.bench.errors import CotterlineError
from cotterline.cli.database import database_option, make_ready, settings_with, with_database
from cotterline.store import receiver_secrets
from cotterline.store.cipher import Cipher, made_key
from cotterline.store.database import Database
from cotterline.store.tenancy import SERVICE


@click.group("secrets")
def secrets() -> None:
    """The keys that suppliers' and subscriptions' secrets are encrypted with."""


@secrets.command()
def key() -> None:
    """Write a new key for COTTERLINE_SECRET_KEYS to standard output."""
    click.echo(made_key())


@secrets.command("re-encrypt")
@database_option
def re_encrypt(database: str | None) -> None:
    """Encrypt every shop's secrets anew with the first key of COTTERLINE_SECRET_KEYS.

    To change the key: put a new one in front, with a comma, for every process, restart them, run this, then take the
    old one away. Without a first key to go by, on SQLite, the key in the file beside the database is used.
    """
    settings = settings_with({"DATABASE_URL": database})
    make_ready(settings.database_url, may_migrate=False)
    cipher = Cipher.of(settings.database_url, settings.secret_keys)
    try:
        renewed = with_database(settings.database_url, lambda opened: re_encrypt_all(opened, cipher))
    except CotterlineError as error:
        raise click.ClickException(error.detail) from error
    click.echo(f"{renewed} secrets are encrypted with the first key.")


async def re_encrypt_all(database: Database, cipher: Cipher) -> int:
    """Encrypt every shop's secrets with the cipher's first key, some at a time, and return how many there are."""
    renewed, last = 0, None
    while True:
        count, last = await _some(database, cipher, last)
        renewed += count
        if last is None:
            return renewed


async def _some(database: Database, cipher: Cipher, after: UUID | None) -> tuple[int, UUID | None]:
    async with database.write(SERVICE) as tx:
        return await receiver_secrets.reseal(tx, cipher, after)
