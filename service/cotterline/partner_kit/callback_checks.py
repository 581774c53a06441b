"""What is tried with the replies that a supplier sends by itself."""

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import Final

import msgspec

from cotterline.api.order_replies import check_reply
from cotterline.bench.errors import CotterlineError
from cotterline.bench.replies import Reply
from cotterline.delivery.signatures import SIGNATURE_HEADERS, verified
from cotterline.partner_kit.callbacks import Call, Callbacks
from cotterline.partner_kit.checks import OURS, SERVICE, Check
from cotterline.partner_kit.trial import Trial


async def _calls_back(trial: Trial, callbacks: Callbacks) -> str:
    return "" if await callbacks.heard(trial) else "nothing came"


async def _again(trial: Trial, callbacks: Callbacks) -> str:
    if not await callbacks.heard(trial) or len(callbacks.again()) > 1:
        return ""
    others = len(callbacks.calls) - 1
    return f"{others} other messages came and not that one" if others else "it did not come again"


async def _the_same(trial: Trial, callbacks: Callbacks) -> str:
    await callbacks.heard(trial)
    bodies = {call.body for call in callbacks.again()} if callbacks.calls else set()
    return "another body under the same webhook-id" if len(bodies) > 1 else ""


async def _signed(trial: Trial, callbacks: Callbacks) -> str:
    def judge(call: Call) -> str:
        given = {name: call.headers.get(name, "") for name in SIGNATURE_HEADERS}
        verified([callbacks.secret], given, call.body, datetime.now(UTC))
        return ""

    return _first(await callbacks.heard(trial), judge)


async def _readable(trial: Trial, callbacks: Callbacks) -> str:
    def judge(call: Call) -> str:
        reply = msgspec.json.decode(call.body, type=Reply, strict=True)
        return "; ".join(f"{fault.pointer} {fault.detail}" for fault in check_reply(reply, datetime.now(UTC)))

    return _first(await callbacks.heard(trial), judge)


async def _as_json(trial: Trial, callbacks: Callbacks) -> str:
    def judge(call: Call) -> str:
        named = call.headers.get("content-type", "none")
        return "" if named.partition(";")[0].strip().lower() == "application/json" else f"its Content-Type: {named}"

    return _first(await callbacks.heard(trial), judge)


def _first(calls: Sequence[Call], judge: Callable[[Call], str]) -> str:
    """What is wrong with the first call that something is wrong with; empty where all are well."""
    for call in calls:
        try:
            wrong = judge(call)
        except CotterlineError as error:
            wrong = error.detail
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
            wrong = str(error)
        if wrong:
            return wrong
    return ""


CALLBACK_CHECKS: Final[Sequence[Check[Callbacks]]] = (
    Check(
        name="calls-back",
        tries="An order that names an address for replies is replied to there.",
        mend="POST to reply_to of the order (in UBL the endpoint of the buyer), word for word.",
        source=SERVICE,
        run=_calls_back,
    ),
    Check(
        name="callback-signed",
        tries="What is sent there is signed with the reply secret, not long ago.",
        mend="Sign id, full stop, time, full stop, body anew at each try, with the reply secret and not the other one.",
        source=OURS,
        run=_signed,
    ),
    Check(
        name="callback-readable",
        tries="What is sent there is a reply.",
        mend="Hold it against the schema of a reply in the API document and the examples in openapi/examples.",
        source=SERVICE,
        run=_readable,
    ),
    Check(
        name="callback-as-json",
        tries="What is sent there is declared as JSON.",
        mend="Send Content-Type: application/json; else it is answered 415.",
        source=SERVICE,
        run=_as_json,
    ),
    Check(
        name="callback-again",
        tries="The first reply is answered 503; it comes again under the same webhook-id.",
        mend="Keep what was not answered 2xx and send it again later, with the id it had.",
        source=OURS,
        run=_again,
    ),
    Check(
        name="callback-same",
        tries="What comes again under an id is what came before, byte for byte.",
        mend="Keep the body with its id; what is new to say is another message.",
        source=OURS,
        run=_the_same,
    ),
)
