"""``cotterline practice-supplier``: a supplier to practise with, in a process of its own."""

from datetime import UTC, datetime

import click
from aiohttp import web

from cotterline import logs
from cotterline.practice_supplier.rules import ORDERS
from cotterline.practice_supplier.server import PracticeSupplier


@click.command("practice-supplier")
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option("--port", default=8001, show_default=True, type=click.IntRange(1, 65535), help="Port to listen on.")
@click.option(
    "--service",
    default="",
    metavar="URL",
    help="Where the service is reached; replies then go there alone. Else they go to this machine alone.",
)
@click.option(
    "--pace",
    default=1.0,
    show_default=True,
    type=click.FloatRange(0, 3600),
    help="Seconds before each reply.",
)
def practice_supplier(host: str, port: int, service: str, pace: float) -> None:
    """Start a supplier to practise with: it takes orders, and replies by rules in their references.

    A shop uses it in test mode. What it can be told, and the secrets it signs and verifies with, stand at / and at
    /v1/reference/practice-supplier of the service; the secrets are published and guard nothing. Ctrl-C stops it.
    """
    logs.write_json("info")
    supplier = PracticeSupplier(service.rstrip("/"), pace, lambda: datetime.now(UTC))
    address = f"[{host}]" if ":" in host else host
    click.echo(f"Practice supplier at http://{address}:{port}{ORDERS}. Ctrl-C stops it.", err=True)
    web.run_app(supplier.application(), host=host, port=port, print=None, access_log=None)
