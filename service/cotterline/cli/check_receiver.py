"""``cotterline check-receiver``: whether a partner's receiver of events is fit for ours."""

from datetime import UTC, datetime

import click

from cotterline.cli import conformance
from cotterline.partner_kit.receiver_checks import RECEIVER_CHECKS
from cotterline.partner_kit.subject import Events


@click.command("check-receiver")
@conformance.options(RECEIVER_CHECKS)
@click.pass_context
def check_receiver(context: click.Context, chosen: conformance.Chosen) -> None:
    """Post invented events to the receiver at URL, rightly and wrongly signed, and say what is wrong with it.

    Give it an endpoint of a trial, not of work. The secret is the one the receiver verifies with. The status is 0 where
    every must holds. Whether a message that comes twice has one effect cannot be seen from here: look for it there.
    """
    events = Events(datetime.now(UTC))
    context.exit(conformance.run(lambda trial: conformance.tried(RECEIVER_CHECKS, events, trial, chosen.only), chosen))
