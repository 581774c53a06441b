"""``cotterline demo``: an invented workshop's bicycles through the real service, from an empty folder to a table."""

import shutil
import signal
import sys
import tempfile
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, NoReturn
from urllib.parse import quote as escaped
from urllib.parse import urlencode

import click
import msgspec
from rich.console import Console
from uuid_utils.compat import uuid7

from cotterline.api.kept_quote import Quote, QuoteList
from cotterline.cli.booking_system import BookingSystem
from cotterline.cli.database import migrated, with_database
from cotterline.cli.demo_bikes import BIKE_FILES, PARTS_FILE, PRICE_FILES, SETTINGS_FILE, bikes_folder
from cotterline.cli.demo_fits import DemoFits
from cotterline.cli.demo_orders import DemoOrders
from cotterline.cli.key import issue_key
from cotterline.cli.local_service import (
    HOST,
    LOG,
    PRACTICE_LOG,
    LocalPracticeSupplier,
    LocalService,
    LocalServiceError,
)
from cotterline.cli.quote_table import QuoteTable
from cotterline.cli.shop import add_shop
from cotterline.store.keys import KeyOrder
from cotterline.store.shops import ShopRow
from cotterline.store.tenancy import Tenant

DATABASE: Final = "cotterline.sqlite3"
ONE_BIKE: Final = "bike.json"
KEY: Final = "key.header"
PROGRAM: Final = Path(sys.executable).with_name("cotterline")
"""As it can be called from any folder."""

MADE: Final = (DATABASE, ONE_BIKE, KEY, LOG, PRACTICE_LOG, *BIKE_FILES)
SHOP: Final = "Net loft"

_PAGE: Final = 10
_TERMINATED: Final = 143

_NEXT: Final = """\
All {count} quotes are kept in {folder}:
  {database:<18}  the database
  bikes.json          the bicycles as the service is sent them
  bikes.csv           the same as a table: change a reading, then
                        {program} quote {folder}/bikes.csv
  bike.json           the first of them
  {key:<18}  the workshop's key, as a header for curl; nobody else can read it
  {log:<18}  what the service logged
  {practice:<18}  what the supplier to practise with logged
"""
_RUNNING: Final = """\
The service goes on at {url}. Documentation: {url}/docs
Quote one bicycle yourself:
  curl -sS {url}/v1/quotes -H @{folder}/key.header \\
    -H "Idempotency-Key: $(date +%s)" -H 'Content-Type: application/json' -d @{folder}/bike.json
Ctrl-C stops it.
"""
_STOPPED: Final = """\
To go on with it, start the service in that folder:
  cd {folder} && {program} serve
The documentation is then at http://127.0.0.1:8000/docs, and one bicycle is quoted with
  curl -sS http://127.0.0.1:8000/v1/quotes -H @{folder}/key.header \\
    -H "Idempotency-Key: $(date +%s)" -H 'Content-Type: application/json' -d @{folder}/bike.json
"""


@click.command()
@click.option(
    "--directory",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for the database and the log; a new one among the temporary files unless given.",
)
@click.option("--bytes", "show_bytes", is_flag=True, help="Show every order and event as it was posted, byte for byte.")
@click.option("--keep-serving", is_flag=True, help="Leave the service running afterwards, until Ctrl-C.")
def demo(directory: Path | None, *, show_bytes: bool, keep_serving: bool) -> None:
    """Show the whole job on the bicycles of an invented workshop.

    Starts the service on a new SQLite database and a free port of this machine, with a supplier to practise with beside
    it; posts every bicycle, reads the quotes back and prints them; has five approved, orders their parts, and follows
    the orders until the supplier has answered; fits four, exchanges the spindles of two that miss, and shows what the
    shop's booking system was told.
    """
    folder = _new_folder(directory)
    signal.signal(signal.SIGTERM, _leave)
    for name in BIKE_FILES:
        shutil.copyfile(bikes_folder() / name, folder / name)
    bikes = msgspec.json.decode((folder / BIKE_FILES[0]).read_bytes(), type=list[msgspec.Raw])
    (folder / ONE_BIKE).write_bytes(bytes(bikes[0]) + b"\n")
    click.echo(f"A workshop with three stands in a former net loft, and {len(bikes)} bicycles waiting.\n")
    try:
        with ExitStack() as running:
            practice = running.enter_context(LocalPracticeSupplier(folder))
            booking = running.enter_context(BookingSystem())
            around = {"COTTERLINE_OPEN_NETWORKS": f"{HOST}/32", "COTTERLINE_PRACTICE_SUPPLIER": practice.url}
            service = running.enter_context(LocalService(folder, _new_key(folder), around))
            _price(service)
            quotes = _through(service, bikes)
            _print(quotes)
            orders = DemoOrders(service, booking, show_bytes=show_bytes)
            orders.set_up(PRICE_FILES, practice.url)
            orders.order(quotes)
            DemoFits(service, orders).fit(quotes)
            orders.print_events()
            click.echo(
                _NEXT.format(
                    program=PROGRAM,
                    count=len(bikes),
                    folder=folder,
                    database=DATABASE,
                    key=KEY,
                    log=LOG,
                    practice=PRACTICE_LOG,
                )
            )
            if keep_serving:
                _keep(service, _RUNNING.format(url=service.url, folder=folder))
    except LocalServiceError as error:
        raise click.ClickException(str(error)) from error
    if not keep_serving:
        click.echo(_STOPPED.format(folder=folder, program=PROGRAM), nl=False)


def _new_folder(wanted: Path | None) -> Path:
    if wanted is None:
        return Path(tempfile.mkdtemp(prefix="cotterline-demo-"))
    wanted.mkdir(parents=True, exist_ok=True)
    there = [name for name in MADE if (wanted / name).exists()]
    if there:
        raise click.UsageError(f"{wanted} holds {', '.join(there)} already: name another folder.")
    return wanted.resolve()


def _new_key(folder: Path) -> str:
    """Add the workshop to a new database and issue its key, left in a file that only the owner can read."""
    url = f"sqlite:///{folder / DATABASE}"
    migrated(url)
    now = datetime.now(UTC)
    row = ShopRow(id=uuid7(), name=SHOP, created_at=now)
    order = KeyOrder(label="demonstration", scopes=frozenset({"read", "quote", "order", "administer"}))
    with_database(url, lambda database: add_shop(database, row))
    key = with_database(url, lambda database: issue_key(database, Tenant(row.id, "live"), order, now))
    (folder / KEY).touch(mode=0o600, exist_ok=False)  # nobody else may read it, not even for a moment
    (folder / KEY).write_text(f"Authorization: Bearer {key}\n")
    return key


def _price(service: LocalService) -> None:
    """Send the workshop's settings, its catalogue, and what its suppliers ask."""
    there = bikes_folder()
    service.put("/v1/settings", "application/json", (there / SETTINGS_FILE).read_bytes())
    service.put("/v1/parts", "text/csv", (there / PARTS_FILE).read_bytes())
    for supplier, name in PRICE_FILES.items():
        service.put_new(f"/v1/price-lists/{escaped(supplier)}", "text/csv", (there / name).read_bytes())


def _through(service: LocalService, bikes: list[msgspec.Raw]) -> list[Quote]:
    """Post every bicycle, find all of them in the list, and read each back.

    Raises:
        LocalServiceError: what is read back is not what was answered.
    """
    answers = [msgspec.json.decode(service.post("/v1/quotes", bytes(bike)), type=Quote) for bike in bikes]
    listed = _listed(service)
    kept = [msgspec.json.decode(service.get(f"/v1/quotes/{answer.id}"), type=Quote) for answer in answers]
    if kept != answers or listed != {answer.id for answer in answers}:
        raise LocalServiceError("what the service keeps is not what it answered")
    return kept


def _listed(service: LocalService) -> set[object]:
    found: set[object] = set()
    query: dict[str, str | int] = {"limit": _PAGE}
    while True:
        page = msgspec.json.decode(service.get(f"/v1/quotes?{urlencode(query)}"), type=QuoteList)
        found |= {entry.id for entry in page.quotes}
        if isinstance(page.next_cursor, msgspec.UnsetType):
            return found
        query["cursor"] = page.next_cursor


def _print(quotes: list[Quote]) -> None:
    table = QuoteTable(Console())
    for quote in quotes:
        table.print(quote.reference or str(quote.id), quote.result)


def _keep(service: LocalService, words: str) -> None:
    try:
        click.echo(words, nl=False)
        service.wait()
    except KeyboardInterrupt:
        click.echo("Stopped.")


def _leave(*_: object) -> NoReturn:
    sys.exit(_TERMINATED)
