"""``cotterline shop``: add a shop, list the shops."""

from datetime import UTC, datetime

import click
from uuid_utils.compat import uuid7

from cotterline.cli.database import database_option, make_ready, settings_with, with_database
from cotterline.store import audit, shops
from cotterline.store.audit import OPERATOR
from cotterline.store.database import Database
from cotterline.store.shops import ShopRow
from cotterline.store.tables import NAME_LENGTH
from cotterline.store.tenancy import SERVICE, Tenant


@click.group()
def shop() -> None:
    """The shops that share the service, each blind to the others."""


@shop.command()
@click.argument("name")
@database_option
def add(name: str, database: str | None) -> None:
    """Add a shop called NAME and write its id."""
    if not 0 < len(name.strip()) <= NAME_LENGTH:
        raise click.UsageError(f"a shop's name has 1 to {NAME_LENGTH} characters.")
    url = settings_with({"DATABASE_URL": database}).database_url
    make_ready(url, may_migrate=False)
    row = ShopRow(id=uuid7(), name=name.strip(), created_at=datetime.now(UTC))
    with_database(url, lambda opened: add_shop(opened, row))
    click.echo(row.id)


@shop.command("list")
@database_option
def list_shops(database: str | None) -> None:
    """Write every shop's id and name, oldest first."""
    url = settings_with({"DATABASE_URL": database}).database_url
    make_ready(url, may_migrate=False)
    for row in with_database(url, every_shop):
        click.echo(f"{row.id}  {row.name}")


async def add_shop(database: Database, row: ShopRow) -> None:
    """Add a shop, and say so in its audit trail."""
    tenant = Tenant(row.id, "live")
    about = {"subject_kind": "shop", "subject_id": str(row.id)}
    async with database.write(tenant) as tx:
        await shops.insert(tx, row)
        said = {"name": row.name}
        await audit.record(tx, tenant, at=row.created_at, actor=OPERATOR, action="shop.added", **about, detail=said)


async def every_shop(database: Database) -> list[ShopRow]:
    """Return every shop, oldest first."""
    async with database.read(SERVICE) as tx:
        return [*await shops.every(tx)]
