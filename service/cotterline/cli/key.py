"""``cotterline key``: issue, list and revoke the keys of a shop."""

from datetime import UTC, datetime
from uuid import UUID

import click
from uuid_utils.compat import uuid7

from cotterline.bench.errors import CotterlineError
from cotterline.cli.database import database_option, make_ready, settings_with, with_database
from cotterline.cli.shop import every_shop
from cotterline.store import keys
from cotterline.store.audit import OPERATOR
from cotterline.store.database import Database
from cotterline.store.keys import KeyOrder, KeyRow
from cotterline.store.tables import NAME_LENGTH
from cotterline.store.tenancy import MODES, SCOPES, Mode, Scope, Tenant

_PAGE = 200

_shop_option = click.option("--shop", "named", required=True, metavar="SHOP", help="Id of the shop, or its name.")
_mode_option = click.option("--mode", type=click.Choice(MODES), default="live", show_default=True)


class _Scopes(click.ParamType[frozenset[Scope]]):
    """Scopes with commas between them."""

    name = "scopes"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> frozenset[Scope]:
        words = {word.strip() for word in str(value).split(",")}
        unknown = words.difference(SCOPES)
        if unknown:
            self.fail(f"{', '.join(sorted(unknown))}: scopes are {', '.join(SCOPES)}.", param, ctx)
        return frozenset(scope for scope in SCOPES if scope in words)


@click.group()
def key() -> None:
    """The keys of a shop, each for its live or its test data."""


@key.command()
@_shop_option
@click.option("--label", required=True, help="What the key is for; two keys with one label may live at once.")
@click.option("--scopes", type=_Scopes(), required=True, help=f"Any of {','.join(SCOPES)}; none includes another.")
@_mode_option
@click.option("--expires", type=click.DateTime(), help="When it ends by itself, in UTC; it does not unless given.")
@database_option
def issue(  # noqa: PLR0913 - the options of a command
    *,
    named: str,
    label: str,
    scopes: frozenset[Scope],
    mode: Mode,
    expires: datetime | None,
    database: str | None,
) -> None:
    """Issue a key and write it to standard output, this once: the service keeps only a hash of it."""
    now = datetime.now(UTC)
    ends = expires.replace(tzinfo=UTC) if expires else None
    if ends and ends <= now:
        raise click.UsageError(f"--expires {ends:%Y-%m-%d %H:%M} lies in the past.")
    if not 0 < len(label) <= NAME_LENGTH:
        raise click.UsageError(f"--label has 1 to {NAME_LENGTH} characters.")
    url = _ready(database)
    tenant = Tenant(_shop(url, named), mode)
    order = KeyOrder(label=label, scopes=scopes, expires_at=ends)
    try:
        text = with_database(url, lambda opened: issue_key(opened, tenant, order, now))
    except CotterlineError as error:
        raise click.ClickException(error.detail) from error
    click.echo(text)


@key.command("list")
@_shop_option
@_mode_option
@database_option
def list_keys(named: str, mode: Mode, database: str | None) -> None:
    """Write every key of the shop in one mode, newest first; never the secret."""
    url = _ready(database)
    tenant = Tenant(_shop(url, named), mode)
    now = datetime.now(UTC)
    for row in with_database(url, lambda opened: _every(opened, tenant)):
        click.echo(_line(row, now))


@key.command()
@_shop_option
@_mode_option
@click.argument("key_id", type=click.UUID)
@database_option
def revoke(named: str, mode: Mode, key_id: UUID, database: str | None) -> None:
    """End the key KEY_ID at once and for good."""
    url = _ready(database)
    tenant = Tenant(_shop(url, named), mode)
    row = with_database(url, lambda opened: _revoke(opened, tenant, key_id, datetime.now(UTC)))
    if row is None:
        raise click.ClickException(f"this shop has no key {key_id} in {mode} mode.")
    click.echo(_line(row, datetime.now(UTC)))


async def issue_key(database: Database, tenant: Tenant, order: KeyOrder, now: datetime) -> str:
    """Issue a key and return its text."""
    async with database.write(tenant) as tx:
        return await keys.issue(tx, order, key_id=uuid7(), now=now, actor=OPERATOR)


async def _every(database: Database, tenant: Tenant) -> list[KeyRow]:
    async with database.read(tenant) as tx:
        page = await keys.page(tx, None, _PAGE)
        found = [*page.keys]
        while page.following:
            page = await keys.page(tx, page.following, _PAGE)
            found += page.keys
    return found


async def _revoke(database: Database, tenant: Tenant, key_id: UUID, now: datetime) -> KeyRow | None:
    async with database.write(tenant) as tx:
        return await keys.revoke(tx, key_id, now=now, actor=OPERATOR)


def _ready(database: str | None) -> str:
    url = settings_with({"DATABASE_URL": database}).database_url
    make_ready(url, may_migrate=False)
    return url


def _shop(url: str, named: str) -> UUID:
    """The id of the shop with this id or name.

    Raises:
        ClickException: no shop has it, or several bear the name.
    """
    found = [row for row in with_database(url, every_shop) if named in {str(row.id), row.name}]
    if len(found) != 1:
        words = "several shops are called" if found else "no shop is called"
        raise click.ClickException(f"{words} {named!r}: give an id from `cotterline shop list`.")
    return found[0].id


def _line(row: KeyRow, now: datetime) -> str:
    parts = [str(row.id), row.label, ",".join(row.scopes), f"issued {row.created_at:%Y-%m-%d}"]
    if row.revoked_at:
        parts.append(f"revoked {row.revoked_at:%Y-%m-%d %H:%M}")
    if row.expires_at:
        parts.append(f"{'expires' if row.expires_at > now else 'expired'} {row.expires_at:%Y-%m-%d %H:%M}")
    parts.append(f"last used {row.last_used_at:%Y-%m-%d %H:%M}" if row.last_used_at else "never used")
    return "  ".join(parts)
