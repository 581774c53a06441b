"""Doing a thing once, however often it is asked for: the one way in which a POST makes something.

A handler takes ``once`` and hands it the work; the work runs in the transaction that also keeps its answer. Asked
again with the same key, the kept answer goes out and the work does not run. A refusal undoes the claim on the key
with everything else, so what was refused can be corrected and sent again.
"""

from collections.abc import Awaitable, Callable
from datetime import datetime
from typing import Any, Final

import msgspec
from litestar import Request, Response
from litestar.di import NamedDependency

from cotterline.api.caller import Caller
from cotterline.api.drafts import IDEMPOTENCY_KEY
from cotterline.api.idempotency_key import fingerprint, read_key
from cotterline.api.kept_quote import Stamp
from cotterline.api.sealed_answers import seal, unseal
from cotterline.bench.errors import CotterlineError
from cotterline.store import kept_answers
from cotterline.store.database import Database, WriteTransaction
from cotterline.store.kept_answers import KeptAnswer
from cotterline.store.tenancy import Tenant

REPLAYED: Final = "Idempotency-Replayed"
"""``true`` on an answer that was kept. The draft names no header for it; this one is the service's own."""

Work = Callable[[WriteTransaction], Awaitable[Response[Any]]]


class Sent(msgspec.Struct, frozen=True, kw_only=True):
    """What was sent.

    Attributes:
        key: that names the request.
        mark: what the key is bound to.
        status: of an answer that does not say its own.
        secret: the API key it was sent with.
    """

    key: str
    mark: bytes
    status: int
    secret: bytes


class Once:
    """Does the work of one request, or answers as it was answered before."""

    def __init__(self, database: Database, tenant: Tenant, sent: Sent, now: datetime) -> None:
        self._database = database
        self._tenant = tenant
        self._sent = sent
        self._now = now

    async def answer(self, work: Work, *, sealed: bool = False) -> Response[bytes]:
        """Run the work and keep its answer, in one transaction; or give the answer that is kept.

        Args:
            work: what is done once.
            sealed: whether the answer holds a secret, and is kept so that the same API key alone is given it again.

        Raises:
            CotterlineError: ``idempotency-key-reused``, ``idempotency-key-in-flight`` or ``answer-forgotten``,
                besides what the work raises.
        """
        async with self._database.write(self._tenant) as tx:
            kept = await kept_answers.claim(tx, self._sent.key, self._sent.mark, self._now)
            if kept and not kept.body:
                words = "What this key was sent with has been done; its answer held a customer's words and was erased."
                raise CotterlineError("answer-forgotten", words)
            if kept:
                return _response(self._opened(kept) if sealed else kept, {REPLAYED: "true"})
            response = await work(tx)
            made = KeptAnswer(
                status=response.status_code or self._sent.status,
                headers={name: value for name, value in response.headers.items() if value is not None},
                body=msgspec.json.encode(response.content),
            )
            await kept_answers.keep(tx, self._sent.key, self._closed(made) if sealed else made, self._now)
        return _response(made, {})

    def _closed(self, answer: KeptAnswer) -> KeptAnswer:
        body = seal(answer.body, self._sent.secret, self._sent.mark)
        return msgspec.structs.replace(answer, body=body)

    def _opened(self, answer: KeptAnswer) -> KeptAnswer:
        body = unseal(answer.body, self._sent.secret, self._sent.mark)
        if body is None:
            words = "This was sent with another API key before, which alone can be given the answer again."
            raise CotterlineError("idempotency-key-reused", words)
        return msgspec.structs.replace(answer, body=body)


def _response(answer: KeptAnswer, more: dict[str, str]) -> Response[bytes]:
    headers = answer.headers | more
    return Response(answer.body, status_code=answer.status, headers=headers, media_type="application/json")


async def once(
    request: Request[Any, Any, Any],
    database: NamedDependency[Database],
    caller: NamedDependency[Caller],
    stamp: NamedDependency[Stamp],
) -> Once:
    """The dependency ``once``.

    Raises:
        RequestRefusedError: ``idempotency-key-missing``, or ``malformed-request`` for what is no key.
    """
    key = read_key(request.headers.getall(IDEMPOTENCY_KEY.lower(), []))
    scope = request.scope
    mark = fingerprint(scope["method"], scope["path"], scope["query_string"], await request.body())
    secret = request.headers["authorization"].partition(" ")[2].strip().encode()
    sent = Sent(key=key, mark=mark, status=request.route_handler.status_code, secret=secret)
    return Once(database, caller.tenant, sent, stamp.now)
