"""What is tried with a receiver of events."""

from collections.abc import Sequence
from typing import Final

from cotterline.partner_kit.checks import COMMON, SERVICE, Check, taken
from cotterline.partner_kit.subject import UNKNOWN_TYPE, Events
from cotterline.partner_kit.trial import Trial

LARGEST: Final = 256 * 1024
"""Bytes of the largest event that is posted."""


async def _every_type(trial: Trial, events: Events) -> str:
    return taken(*[await trial.send(each) for each in events.every()])


async def _unknown_type(trial: Trial, events: Events) -> str:
    return taken(await trial.send(events.of("quote.issued", type=UNKNOWN_TYPE)))


async def _unknown_field(trial: Trial, events: Events) -> str:
    return taken(await trial.send(events.of("quote.issued", weather={"rain": True})))


async def _order_turned(trial: Trial, events: Events) -> str:
    return taken(*[await trial.send(each) for each in events.pair()])


async def _largest(trial: Trial, events: Events) -> str:
    room = LARGEST - len(events.of("quote.issued", note="").body)
    return taken(await trial.send(events.of("quote.issued", note="x" * (room - 16))))


RECEIVER_CHECKS: Final[Sequence[Check[Events]]] = (
    *COMMON,
    Check(
        name="every-type",
        tries="An event of each type is taken.",
        mend="Answer 2xx to types you have no use for, or subscribe to fewer.",
        source=SERVICE,
        run=_every_type,
    ),
    Check(
        name="unknown-type",
        tries="An event of a type you do not know is taken: there will be new ones.",
        mend="Answer 2xx and do nothing.",
        source=SERVICE,
        run=_unknown_type,
    ),
    Check(
        name="unknown-field",
        tries="An event with a field you do not know is taken: there will be new ones.",
        mend="Pass over what you do not know.",
        source=SERVICE,
        run=_unknown_field,
    ),
    Check(
        name="order-turned",
        tries="Of two events of one quote the later comes first; both are taken.",
        mend="Go by sequence, not by arrival; each event carries the full state.",
        source=SERVICE,
        run=_order_turned,
    ),
    Check(
        name="largest",
        tries="An event of 256 KB is taken.",
        mend="Raise the limit on bodies of whatever stands in front.",
        source=SERVICE,
        run=_largest,
    ),
)
