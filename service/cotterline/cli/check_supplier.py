"""``cotterline check-supplier``: whether a partner's endpoint for orders is fit for ours."""

from collections.abc import Mapping, Sequence
from contextlib import suppress
from typing import IO, Final
from urllib.parse import SplitResult, urlsplit

import click

from cotterline.bench.suppliers import BodyForm, OwnJson, Ubl
from cotterline.cli import conformance
from cotterline.partner_kit.callback_checks import CALLBACK_CHECKS
from cotterline.partner_kit.callbacks import Callbacks
from cotterline.partner_kit.checks import Outcome
from cotterline.partner_kit.subject import Orders
from cotterline.partner_kit.supplier_checks import SUPPLIER_CHECKS
from cotterline.partner_kit.trial import Trial

FORMS: Final[Mapping[str, BodyForm]] = {"json": OwnJson(), "ubl": Ubl()}


@click.command("check-supplier")
@conformance.options([*SUPPLIER_CHECKS, *CALLBACK_CHECKS])
@click.option("--form", type=click.Choice([*FORMS]), default="json", show_default=True, help="Of the orders.")
@click.option("--replies-to", help="Try its replies too: http://HOST:PORT of this machine, as it reaches it.")
@click.option("--reply-secret-file", type=click.File(), help="Holds the secret that it signs replies with.")
@click.option("--wait", default=60.0, show_default=True, type=click.FloatRange(0.1, 3600), help="Seconds for a reply.")
@click.pass_context
def check_supplier(  # noqa: PLR0913, PLR0917 - its options
    context: click.Context,
    form: str,
    replies_to: str | None,
    reply_secret_file: IO[str] | None,
    wait: float,
    chosen: conformance.Chosen,
) -> None:
    """Post invented orders to the supplier's endpoint at URL, rightly and wrongly signed, and say what is wrong.

    Give it an endpoint of a trial: it places some dozens of orders, and nobody wants their parts. The secret is the one
    the endpoint verifies with. With --replies-to one order more names an address for replies, which listens meanwhile.
    The status is 0 where every must holds.
    """
    orders = Orders(FORMS[form])
    place = _place(replies_to) if replies_to else None
    secret = conformance.secret_in(reply_secret_file) if place else ""

    async def tries(trial: Trial) -> Sequence[Outcome]:
        found = await conformance.tried(SUPPLIER_CHECKS, orders, trial, chosen.only)
        if place is None:
            return found
        callbacks = Callbacks(orders, place.geturl(), secret, wait)
        async with callbacks.listening(place.hostname or "", place.port or 0):
            return [*found, *await conformance.tried(CALLBACK_CHECKS, callbacks, trial, chosen.only)]

    context.exit(conformance.run(tries, chosen))


def _place(text: str) -> SplitResult:
    with suppress(ValueError):  # of a host or port that is none
        place = urlsplit(text)
        if place.scheme == "http" and place.hostname and place.port and not place.path.strip("/") + place.query:
            return place
    raise click.UsageError("--replies-to must be http://HOST:PORT, without a path.")
