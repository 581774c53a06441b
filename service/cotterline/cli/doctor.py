"""``cotterline doctor``: whether everything is well, and what to do where it is not."""

import asyncio
import os
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import click
import msgspec
from sqlalchemy.exc import SQLAlchemyError

from cotterline.bench.errors import CotterlineError
from cotterline.cli.database import database_option, shown_address
from cotterline.cli.doctor_findings import LOOKS, Finding, Patient, exposure, tables
from cotterline.settings import Settings, from_environment
from cotterline.store.address import driver_url
from cotterline.store.database import Database

_COLOURS: Final = {"ok": "green", "look": "yellow", "wrong": "red"}


@click.command()
@database_option
@click.option("--json", "as_json", is_flag=True, help="Write JSON, for programs.")
@click.pass_context
def doctor(context: click.Context, database: str | None, *, as_json: bool) -> None:
    """Look at settings, database, clock, outbox, runs, keys, secrets and disk, and say what to do.

    It changes nothing and may run beside the service, with the settings of the process it is asked about. The status is
    0 where nothing is wrong; what is only worth a look does not count.
    """
    findings = asyncio.run(_findings(database))
    if as_json:
        click.echo(msgspec.json.format(msgspec.json.encode(findings)))
    else:
        for each in findings:
            click.echo(click.style(f"{each.weight:6}", fg=_COLOURS[each.weight]) + f"{each.about}: {each.found}")
            if each.advice:
                click.echo(f"      {each.advice}")
    context.exit(1 if any(each.weight == "wrong" for each in findings) else 0)


async def _findings(database: str | None) -> list[Finding]:
    given = {"COTTERLINE_DATABASE_URL": database} if database is not None else {}
    try:
        settings = from_environment({**os.environ, **given})
    except CotterlineError as error:
        return [_wrong("settings", f"{each.pointer[1:]}: {each.detail}", "Set it right.") for each in error.faults]
    try:
        return [*exposure(settings), *await _of_the_database(settings)]
    except (SQLAlchemyError, OSError) as error:
        cause = getattr(error, "orig", None) or error
        advice = "Is it running, and are address, user and password right?"
        return [_wrong("database", f"{shown_address(settings.database_url)}: {cause}", advice)]


async def _of_the_database(settings: Settings) -> list[Finding]:
    address = driver_url(settings.database_url)
    if address.get_backend_name() == "sqlite" and not await asyncio.to_thread(Path(str(address.database)).exists):
        return [_wrong("database", f"there is no {address.database}", "Is this the folder the service is started in?")]
    opened = await Database.open(settings.database_url, 1)
    patient = Patient(settings, opened, datetime.now(UTC))
    try:
        found = [each async for each in tables(patient)]
        if all(each.weight != "wrong" for each in found):
            found += [each for look in LOOKS async for each in look(patient)]
    finally:
        await opened.close()
    return found


def _wrong(about: str, found: str, advice: str) -> Finding:
    return Finding(about=about, weight="wrong", found=found, advice=advice)
