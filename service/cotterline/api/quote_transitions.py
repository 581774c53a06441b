"""Transitions: what is done with a quote, by the table of its life."""

from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from litestar import Request, Response, get, post
from litestar.di import NamedDependency
from litestar.params import JSONBody
from msgspec import UNSET, UnsetType

from cotterline.api.caller import Caller
from cotterline.api.conditions import wanted_tags
from cotterline.api.kept_answers import Once
from cotterline.api.kept_quote import HeldQuote, KeptQuote, Quote, Stamp, shown
from cotterline.api.operation import EXAMPLE_ID, Example
from cotterline.api.problems import RequestRefusedError
from cotterline.api.quote_changes import QuoteChange, find
from cotterline.api.quote_requests import TransitionRequest, check_transition
from cotterline.api.quotes import EXAMPLE_NOW, QuoteId, answer, example_quote
from cotterline.bench.quantity import refuse
from cotterline.bench.quote_life import LIFE, STATES, QuoteAct, QuoteAction, QuoteState
from cotterline.store import quote_transitions
from cotterline.store.database import Database, WriteTransaction
from cotterline.store.quote_transitions import TransitionRow


class Transition(msgspec.Struct, frozen=True, kw_only=True):
    """Something that was done with a quote.

    Attributes:
        action: what.
        at: when.
        by: id of the key it was done with, or `link:` and the id of the link a customer answered by.
        from_state: the state before.
        to_state: the state after.
        revision: the revision that held; of a revise, the new one.
        note: the shop's own words.
    """

    action: QuoteAction
    at: datetime
    by: str
    from_state: QuoteState
    to_state: QuoteState
    revision: int
    note: str | UnsetType = UNSET


class TransitionList(msgspec.Struct, frozen=True, kw_only=True):
    """Everything that was done with a quote.

    Attributes:
        transitions: the first one first.
    """

    transitions: tuple[Transition, ...]


class QuoteLife(msgspec.Struct, frozen=True, kw_only=True):
    """The life of a quote.

    Attributes:
        states: every state; a quote begins as a draft.
        acts: what can be done, from which states, and what it leads to.
    """

    states: tuple[QuoteState, ...]
    acts: tuple[QuoteAct, ...]


def told(row: TransitionRow) -> Transition:
    """A transition for the wire."""
    return Transition(
        action=row.action,
        at=row.at,
        by=row.actor,
        from_state=row.from_state,
        to_state=row.to_state,
        revision=row.revision,
        note=row.note or UNSET,
    )


def _issued(_: object) -> KeptQuote:
    held = example_quote()
    row = msgspec.structs.replace(held.quote, state="issued", version=2, expires_at=EXAMPLE_NOW)
    return shown(HeldQuote(quote=row, revision=held.revision), EXAMPLE_NOW.replace(year=2023), derivation=False)


_EXAMPLE = TransitionRow(
    quote_id=UUID(EXAMPLE_ID),
    version=2,
    at=EXAMPLE_NOW,
    actor=EXAMPLE_ID,
    action="issue",
    from_state="draft",
    to_state="issued",
    revision=1,
    note="by letter",
)


@post(
    "/v1/quotes/{quote_id:uuid}/transitions",
    status_code=200,
    operation_id="actOnQuote",
    tags=["quotes"],
    summary="Do something with a quote",
    opt={
        "scope": "quote",
        "answer": Quote,
        "takes": ["Idempotency-Key", "If-Match"],
        "refusals": (409,),
        "examples": {"issue": Example("Give it to the customer", _issued, b'{"action":"issue","note":"by letter"}')},
        "headers": ["ETag", "Idempotency-Replayed"],
    },
)
async def create(  # noqa: PLR0913, PLR0917 - what it is handed, each by name
    request: Request[Any, Any, Any],
    quote_id: QuoteId,
    data: JSONBody[TransitionRequest],
    once: NamedDependency[Once],
    caller: NamedDependency[Caller],
    stamp: NamedDependency[Stamp],
) -> Response[bytes]:
    """Issue, approve, extend, decline, expire, order, close or revise a quote, where its state allows it.

    To approve and to extend take what the customer agreed to. To order takes a key with the scope order, an approval
    in force and a result that allows it.
    """
    if data.action == "order" and "order" not in caller.scopes:
        needed = {"WWW-Authenticate": 'Bearer error="insufficient_scope", scope="order"'}
        raise RequestRefusedError("forbidden-scope", "To order, a key needs the scope order.", headers=needed)
    refuse([*check_transition(data)])
    wanted = wanted_tags(request)

    async def work(tx: WriteTransaction) -> Response[KeptQuote]:
        return answer(await QuoteChange(tx, caller, stamp.now).act(quote_id, wanted, data), stamp.now)

    return await once.answer(work)


@get(
    "/v1/quotes/{quote_id:uuid}/transitions",
    operation_id="listQuoteTransitions",
    tags=["quotes"],
    summary="List what was done with a quote",
    opt={
        "scope": "read",
        "examples": {
            "issued": Example("A quote that was issued", lambda: TransitionList(transitions=(told(_EXAMPLE),)))
        },
    },
)
async def every(
    quote_id: QuoteId, caller: NamedDependency[Caller], database: NamedDependency[Database]
) -> TransitionList:
    """Give everything that was done with a quote: what, when, with which key."""
    async with database.read(caller.tenant) as tx:
        await find(tx, quote_id)
        found = await quote_transitions.every(tx, quote_id)
    return TransitionList(transitions=tuple(map(told, found)))


def _life() -> QuoteLife:
    return QuoteLife(states=STATES, acts=tuple(LIFE))


@get(
    "/v1/reference/quote-life",
    operation_id="readQuoteLife",
    tags=["reference"],
    summary="What can be done with a quote in which state",
    opt={"scope": None, "examples": {"table": Example("The table", _life)}},
)
async def life() -> QuoteLife:
    """Give the table by which the service decides what can be done with a quote."""
    return _life()
