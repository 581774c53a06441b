"""``cotterline check-supplier``: whether a partner's endpoint for orders is fit for ours."""

from collections.abc import Mapping
from typing import Final

import click

from cotterline.bench.suppliers import BodyForm, OwnJson, Ubl
from cotterline.cli import conformance
from cotterline.partner_kit.subject import Orders
from cotterline.partner_kit.supplier_checks import SUPPLIER_CHECKS

FORMS: Final[Mapping[str, BodyForm]] = {"json": OwnJson(), "ubl": Ubl()}


@click.command("check-supplier")
@conformance.options(SUPPLIER_CHECKS)
@click.option("--form", type=click.Choice([*FORMS]), default="json", show_default=True, help="Of the orders.")
@click.pass_context
def check_supplier(context: click.Context, form: str, chosen: conformance.Chosen) -> None:
    """Post invented orders to the supplier's endpoint at URL, rightly and wrongly signed, and say what is wrong.

    Give it an endpoint of a trial: it places some dozens of orders, and nobody wants their parts. The secret is the one
    the endpoint verifies with. The status is 0 where every must holds.
    """
    context.exit(conformance.run(SUPPLIER_CHECKS, Orders(FORMS[form]), chosen))
