"""The checks: what is tried, what must come, why, and how to mend what does not.

``must`` is what a program needs so that no message is lost, done twice or believed of a stranger; what is not a must
makes it easier to live with. Where a check comes from a published text that is named.
"""

import asyncio
from collections.abc import Awaitable, Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Final, Generic, TypeVar

from cotterline.delivery.schedule import Answer
from cotterline.delivery.signatures import ID, SIGNATURE, TIMESTAMP, made_secret
from cotterline.partner_kit.subject import Events, Orders
from cotterline.partner_kit.trial import Came, Trial

OURS: Final = "Standard Webhooks 1.0"
HTTP: Final = "RFC 9110"
SERVICE: Final = "how this service posts"

STALE: Final = timedelta(minutes=10)
"""Twice what a verifier may allow."""

AT_ONCE: Final = 12
ODD: Final = " \n\t"
GONE: Final = 410
TAKEN: Final = range(200, 300)
REFUSED: Final = range(400, 500)
REDIRECTED: Final = range(300, 400)

Kind_contra = TypeVar("Kind_contra", contravariant=True)
Kind = TypeVar("Kind")


@dataclass(frozen=True, kw_only=True)
class Check(Generic[Kind_contra]):
    """One thing that is tried.

    Attributes:
        name: of the check.
        must: whether a program that fails it is wrong, or only hard to live with.
        tries: what is sent, and what must come.
        mend: what to do where something else comes.
        source: where that is written.
        run: does it, and says what came that should not; empty where all is well.
    """

    name: str
    must: bool = True
    tries: str
    mend: str
    source: str
    run: Callable[[Trial, Kind_contra], Awaitable[str]]


def told(came: Came) -> str:
    """What came, in a few words."""
    if not isinstance(came, Answer):
        return came.words
    if came.status in REDIRECTED:
        return f"{came.status}, which sends elsewhere; nobody follows"
    return str(came.status)


def taken(*all_that_came: Came) -> str:
    """Empty where everything was answered with success, else the first that was not."""
    return next((told(each) for each in all_that_came if not was_taken(each)), "")


def refused(came: Came) -> str:
    """Empty where it was not taken, else that it was."""
    return f"{told(came)}, so it was believed" if was_taken(came) else ""


def was_taken(came: Came) -> bool:
    """Whether it was answered with success."""
    return isinstance(came, Answer) and came.status in TAKEN


def refused_with_4xx(came: Came) -> bool:
    """Whether it was refused as what should not be sent again."""
    return isinstance(came, Answer) and came.status in REFUSED


@dataclass(frozen=True)
class Outcome:
    """What a check came to; ``wrong`` is empty where all is well."""

    name: str
    must: bool
    tries: str
    wrong: str
    mend: str
    source: str


async def outcomes(checks: Iterable[Check[Kind]], trial: Trial, kind: Kind) -> Sequence[Outcome]:
    """Run checks one after the other."""
    return [
        Outcome(each.name, each.must, each.tries, await each.run(trial, kind), each.mend, each.source)
        for each in checks
    ]


async def _genuine(trial: Trial, kind: Events | Orders) -> str:
    return taken(await trial.send(kind.fresh()))


async def _rotation(trial: Trial, kind: Events | Orders) -> str:
    after = await trial.send(kind.fresh(), secrets=[made_secret(), trial.secret])
    before = await trial.send(kind.fresh(), secrets=[trial.secret, made_secret()])
    return taken(after, before)


async def _other_version(trial: Trial, kind: Events | Orders) -> str:
    message = kind.fresh()
    headers = trial.headers(message)
    headers[SIGNATURE] = f"v1a,bm90IGEgc2lnbmF0dXJl {headers[SIGNATURE]}"
    return taken(await trial.post(message, headers, message.body))


async def _stranger(trial: Trial, kind: Events | Orders) -> str:
    return refused(await trial.send(kind.fresh(), secrets=[made_secret()]))


async def _unsigned(trial: Trial, kind: Events | Orders) -> str:
    return refused(await trial.send(kind.fresh(), secrets=[]))


async def _bare(trial: Trial, kind: Events | Orders) -> str:
    return refused(await trial.post(message := kind.fresh(), {}, message.body))


async def _empty_signature(trial: Trial, kind: Events | Orders) -> str:
    message = kind.fresh()
    return refused(await trial.post(message, trial.headers(message) | {SIGNATURE: "v1,"}, message.body))


async def _other_body(trial: Trial, kind: Events | Orders) -> str:
    return refused(await trial.send(kind.fresh(), body=kind.fresh().body))


async def _other_id(trial: Trial, kind: Events | Orders) -> str:
    message = kind.fresh()
    return refused(await trial.post(message, trial.headers(message) | {ID: kind.fresh().id}, message.body))


async def _other_time(trial: Trial, kind: Events | Orders) -> str:
    message = kind.fresh()
    headers = trial.headers(message)
    headers[TIMESTAMP] = str(int(headers[TIMESTAMP]) - 1)
    return refused(await trial.post(message, headers, message.body))


async def _stale(trial: Trial, kind: Events | Orders) -> str:
    return refused(await trial.send(kind.fresh(), ago=STALE))


async def _future(trial: Trial, kind: Events | Orders) -> str:
    return refused(await trial.send(kind.fresh(), ago=-STALE))


async def _politely(trial: Trial, kind: Events | Orders) -> str:
    came = await trial.send(kind.fresh(), secrets=[made_secret()])
    if was_taken(came) or (refused_with_4xx(came) and told(came) != str(GONE)):
        return ""  # whether it was believed is another check's
    return told(came)


async def _odd_bytes(trial: Trial, kind: Events | Orders) -> str:
    message = kind.fresh()
    body = message.body.replace(b"Tide mill", "Gezeitenm\u00fchle \u2603 \\u00e9".encode())
    if body.startswith(b"{"):
        body = b"{" + ODD.encode() + body[1:].replace(b'":', b'" : ', 3) + ODD.encode()
    return taken(await trial.send(message._replace(body=body)))


async def _repeat(trial: Trial, kind: Events | Orders) -> str:
    message = kind.fresh()
    return taken(*[await trial.send(message) for _ in range(2)])


async def _repeat_later(trial: Trial, kind: Events | Orders) -> str:
    message = kind.fresh()
    return taken(await trial.send(message, ago=timedelta(minutes=1)), await trial.send(message))


async def _slow(trial: Trial, kind: Events | Orders) -> str:
    return taken(await trial.slowly(kind.fresh()))


async def _in_chunks(trial: Trial, kind: Events | Orders) -> str:
    return taken(await trial.in_chunks(kind.fresh()))


async def _cut_off(trial: Trial, kind: Events | Orders) -> str:
    message = kind.fresh()
    await trial.cut_off(message)
    return taken(await trial.send(message))


async def _many(trial: Trial, kind: Events | Orders) -> str:
    return taken(*await asyncio.gather(*(trial.send(kind.fresh()) for _ in range(AT_ONCE))))


COMMON: Final[Sequence[Check[Events | Orders]]] = (
    Check(
        name="genuine",
        tries="A genuine message is answered with success (2xx), in time and without a redirection.",
        mend="Answer first and work afterwards; give the address that answers itself.",
        source=OURS,
        run=_genuine,
    ),
    Check(
        name="rotation",
        tries="Of two signatures one fits, the first or the second: while a secret is replaced both are sent.",
        mend="Split webhook-signature at spaces and accept the message if any of them fits.",
        source=OURS,
        run=_rotation,
    ),
    Check(
        name="other-version",
        tries="Beside a fitting signature stands one of a version you do not know.",
        mend="Pass over signatures that do not begin with v1, and compare the others.",
        source=OURS,
        run=_other_version,
    ),
    Check(
        name="stranger",
        tries="A message signed with another secret is refused.",
        mend="Compute HMAC-SHA-256 over id, time and body with your secret, and compare before anything else.",
        source=OURS,
        run=_stranger,
    ),
    Check(
        name="unsigned",
        tries="A message with id and time and no signature is refused.",
        mend="Refuse what has no signature; do not take an absent header for a fitting one.",
        source=OURS,
        run=_unsigned,
    ),
    Check(
        name="bare",
        tries="A message without any of the three headers is refused.",
        mend="Refuse what lacks webhook-id, webhook-timestamp or webhook-signature.",
        source=OURS,
        run=_bare,
    ),
    Check(
        name="empty-signature",
        tries="A signature of no bytes is refused.",
        mend="Compare whole signatures, not as many bytes as were given.",
        source=OURS,
        run=_empty_signature,
    ),
    Check(
        name="other-body",
        tries="The signature of one message under the body of another is refused.",
        mend="Sign the bytes that came, not a part of them.",
        source=OURS,
        run=_other_body,
    ),
    Check(
        name="other-id",
        tries="A message whose id was exchanged after signing is refused.",
        mend="The id belongs to what is signed: id, full stop, time, full stop, body.",
        source=OURS,
        run=_other_id,
    ),
    Check(
        name="other-time",
        tries="A message whose time was changed after signing is refused.",
        mend="The time belongs to what is signed: id, full stop, time, full stop, body.",
        source=OURS,
        run=_other_time,
    ),
    Check(
        name="stale",
        tries="A message signed rightly ten minutes ago is refused: it may be somebody else's, sent again.",
        mend="Refuse what is more than five minutes old.",
        source=OURS,
        run=_stale,
    ),
    Check(
        name="future",
        tries="A message signed rightly for a time in ten minutes is refused.",
        mend="Refuse what lies more than five minutes ahead.",
        source=OURS,
        run=_future,
    ),
    Check(
        name="politely",
        must=False,
        tries="What is refused is refused with 4xx, and not with 410.",
        mend="Answer 400 or 401. After 5xx a message is tried again for days; 410 says that nobody is here any more.",
        source=SERVICE,
        run=_politely,
    ),
    Check(
        name="odd-bytes",
        tries="A genuine body with odd white space, letters beyond ASCII and escapes is accepted.",
        mend="Verify the bytes as they came, before they are decoded; never what you encode again.",
        source=OURS,
        run=_odd_bytes,
    ),
    Check(
        name="repeat",
        tries="The same message twice is answered with success twice. That it has one effect only you can see.",
        mend="Remember webhook-id; to what is known answer 2xx and do nothing.",
        source=OURS,
        run=_repeat,
    ),
    Check(
        name="repeat-later",
        tries="The same message with a later time and so another signature is answered with success.",
        mend="Tell messages apart by webhook-id, not by time or signature.",
        source=OURS,
        run=_repeat_later,
    ),
    Check(
        name="cut-off",
        tries="A connection is cut in the middle of a body; the message comes again and is taken.",
        mend="Remember an id once its whole message was taken, not when it begins.",
        source=SERVICE,
        run=_cut_off,
    ),
    Check(
        name="many",
        tries=f"{AT_ONCE} messages at once are all taken.",
        mend="Serve several connections at once; put what takes long into a queue of your own.",
        source=SERVICE,
        run=_many,
    ),
    Check(
        name="slow",
        must=False,
        tries="A body that comes bit by bit is taken.",
        mend="Wait for as many bytes as Content-Length names.",
        source=HTTP,
        run=_slow,
    ),
    Check(
        name="in-chunks",
        must=False,
        tries="A body whose length is not named before is taken: a proxy on the way may send it so.",
        mend="Read Transfer-Encoding: chunked.",
        source=HTTP,
        run=_in_chunks,
    ),
)
"""What receivers of events and suppliers have in common."""
