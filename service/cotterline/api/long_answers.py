"""Answers that go on for long: each ends with its reader, and all of them when the server is to stop."""

import asyncio
from collections.abc import AsyncGenerator, Iterable, Iterator, Mapping
from contextlib import aclosing, contextmanager, suppress
from typing import Final, Protocol

from litestar.types import Receive, Scope, Send

from cotterline.api.problems import Call, Problem, RequestRefusedError, call_of, document, log_failure, refusal_of
from cotterline.store.tenancy import Tenant

IDLE_SECONDS: Final = 30.0
"""How long a client may take to read a piece; for what it sends the edge has the same patience."""

QUIET_SECONDS: Final = 600.0
"""How long an answer may go on with nothing new to say: a connection that nobody holds any more may look alive."""

MOST: Final = 64
"""Long answers that one process gives at once; each looks into the database once a second, or oftener."""

MOST_OF_ONE: Final = 16
"""Of them to one tenant, so that others find room."""


class UnreadError(RequestRefusedError):
    """The client does not read what it is sent."""

    def __init__(self) -> None:
        super().__init__("request-timeout", f"Nothing was read within {IDLE_SECONDS:g} s.")


class Sending:
    """One answer as it is sent.

    Args:
        send: of the request.
        headers: of the answer, its media type among them.
    """

    def __init__(self, send: Send, headers: Mapping[str, str]) -> None:
        self._send = send
        self._headers = [(name.lower().encode(), value.encode()) for name, value in headers.items()]
        self.begun = False

    async def put(self, body: bytes, *, more: bool) -> None:
        """Send a piece as soon as what was sent before it is read, but for what a connection holds by itself.

        Raises:
            UnreadError: it was not read in time.
        """
        try:
            async with asyncio.timeout(IDLE_SECONDS):
                await self._begin()
                await self._send({"type": "http.response.body", "body": body, "more_body": more})
        except TimeoutError as error:
            raise UnreadError from error

    async def _begin(self) -> None:
        if not self.begun:
            self.begun = True
            await self._send({"type": "http.response.start", "status": 200, "headers": self._headers})


class Place:
    """What one long answer holds while it lasts.

    Attributes:
        quiet_seconds: how long it may go on with nothing new to say.
        gone: whether the client has left.
    """

    def __init__(self, quiet_seconds: float) -> None:
        self.quiet_seconds = quiet_seconds
        self.gone = False
        self._ended = asyncio.Event()

    @property
    def ended(self) -> bool:
        """Whether the answer is to end: nobody reads it, or the server is to stop."""
        return self._ended.is_set()

    def end(self) -> None:
        """Have the answer ended, and any wait with it."""
        self._ended.set()

    async def wait(self, seconds: float) -> None:
        """Return after so many seconds, or as soon as the answer is to end."""
        with suppress(TimeoutError):
            await asyncio.wait_for(self._ended.wait(), seconds)

    async def watch(self, receive: Receive) -> None:
        """End the answer once the client has left."""
        with suppress(RequestRefusedError):  # the body of a request that has none to read broke off
            while (await receive())["type"] != "http.disconnect":
                pass
        self.gone = True
        self.end()


class LongAnswers:
    """Those that one application gives.

    Attributes:
        quiet_seconds: how long each may go on with nothing new to say.
    """

    def __init__(self, quiet_seconds: float = QUIET_SECONDS) -> None:
        self.quiet_seconds = quiet_seconds
        self._places: dict[Place, Tenant] = {}
        self._ended = False

    @property
    def under_way(self) -> int:
        """How many there are now."""
        return len(self._places)

    @contextmanager
    def place(self, tenant: Tenant) -> Iterator[Place]:
        """Hold a place among them.

        Raises:
            RequestRefusedError: ``unavailable``.
        """
        if self._ended:
            raise stopping()
        hold_share(self._places.values(), tenant, MOST, MOST_OF_ONE)
        place = Place(self.quiet_seconds)
        self._places[place] = tenant
        try:
            yield place
        finally:
            del self._places[place]

    def end(self) -> None:
        """Have all of them ended, and begin no more: the server is to stop."""
        self._ended = True
        for place in self._places:
            place.end()


def hold_share(held: Iterable[Tenant], tenant: Tenant, most: int, most_of_one: int) -> None:
    """See that a tenant may have one more of what there is little of.

    Args:
        held: who has it now, each as often as that.
        tenant: who wants it.
        most: there is in this process.
        most_of_one: of it for one tenant, so that others find room.

    Raises:
        RequestRefusedError: ``unavailable``.
    """
    having = [*held]
    if len(having) >= most or having.count(tenant) >= most_of_one:
        raise _put_off(f"This process gives {most} such answers at once, and {most_of_one} to one shop.")


def stopping() -> RequestRefusedError:
    """What is raised where the server is to stop."""
    return _put_off("The service is being stopped.")


def _put_off(words: str) -> RequestRefusedError:
    return RequestRefusedError("unavailable", words, headers={"Retry-After": "10"})


class Telling(Protocol):
    """What a long answer says."""

    def headers(self) -> Mapping[str, str]:
        """Of the answer, its media type among them."""

    def pieces(self, place: Place) -> AsyncGenerator[bytes, None]:
        """Say it, piece by piece; whoever waits in it waits by the place."""

    def broken(self, problem: Problem) -> bytes | None:
        """The last words of one that cannot go on: why; None has the connection broken instead."""


class LongAnswer:
    """One long answer: an ASGI application.

    Args:
        answers: among which it is.
        tenant: to whom.
        telling: what it says.
    """

    def __init__(self, answers: LongAnswers, tenant: Tenant, telling: Telling) -> None:
        self._answers, self._tenant, self._telling = answers, tenant, telling

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Give it to its end, or say in the last words why it did not come to that."""
        with self._answers.place(self._tenant) as place:
            watching = asyncio.create_task(place.watch(receive))
            try:
                await self._tell(Sending(send, self._telling.headers()), place, call_of(scope))
            finally:
                watching.cancel()
                await asyncio.wait([watching])

    async def _tell(self, sending: Sending, place: Place, call: Call) -> None:
        last = b""
        try:
            async with aclosing(self._telling.pieces(place)) as pieces:
                async for piece in pieces:
                    await sending.put(piece, more=True)
                    if call.is_head or place.gone:
                        break
        except Exception as error:
            words = None if isinstance(error, UnreadError) else self._telling.broken(_problem(error, call))
            if words is None or not sending.begun:
                raise
            last = words
        await sending.put(last, more=False)


def _problem(error: Exception, call: Call) -> Problem:
    """What is told of an error midway; one that we raised ourselves is no failure."""
    refusal = refusal_of(error)
    if refusal is not error:
        log_failure(error, refusal, call)
    return document(refusal, call)
