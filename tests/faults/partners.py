"""A supplier and a subscriber on real sockets, which keep what they read and answer badly until calm."""

import asyncio
import contextlib
from collections import Counter
from collections.abc import AsyncIterator, Mapping, Sequence
from random import Random
from typing import Any, Final, Literal, TypeVar

import msgspec
from aiohttp import web

from tests.faults.ledger import Post

Answer = Literal["taken", "late", "refused", "silent", "cut off"]
ANSWERS: Final[Mapping[Answer, int]] = {"taken": 6, "late": 1, "refused": 1, "silent": 1, "cut off": 1}
"""How often each is given. Silent is longer than the service waits; cut off closes once the whole request was read."""

TIMEOUT_SECONDS: Final = 2
LATE_SECONDS: Final = 1.0
SILENT_SECONDS: Final = TIMEOUT_SECONDS + 2.0


_Partner = TypeVar("_Partner", bound="Partner")


class Partner:
    """One of the service's receivers.

    Args:
        subjects: members of a body that say what it is about, those that it has.
        seed: of its moods.
    """

    def __init__(self, subjects: Sequence[str], seed: int) -> None:
        self.posts: list[Post] = []
        self.answered: Counter[Answer] = Counter()
        self.calm = False
        self.endpoint = ""
        self._subjects = subjects
        self._chance = Random(seed)  # noqa: S311 - repeatable on purpose

    async def take(self, request: web.BaseRequest) -> web.StreamResponse:
        """Keep a post, then answer it, or not."""
        body = await request.read()
        told: dict[str, Any] = msgspec.json.decode(body)
        answer: Answer = "taken" if self.calm else self._chance.choices([*ANSWERS], [*ANSWERS.values()])[0]
        taken = answer in {"taken", "late"}
        subject = " ".join(str(told[name]) for name in self._subjects if name in told)
        self.posts.append(Post(request.headers["webhook-id"], subject, body, taken))
        if taken:
            self.hear(subject, told)
        self.answered[answer] += 1
        if answer == "late":
            await asyncio.sleep(LATE_SECONDS)
        elif answer == "silent":
            await asyncio.sleep(SILENT_SECONDS)
        elif answer == "cut off" and request.transport is not None:
            request.transport.abort()
        return web.Response(status=500 if answer == "refused" else 202)

    def hear(self, subject: str, told: Mapping[str, Any]) -> None:
        """Do something about what was taken, which may be the second time."""


@contextlib.asynccontextmanager
async def listening(host: str, partner: _Partner) -> AsyncIterator[_Partner]:
    """Have a partner listen on a free port until the block ends."""
    runner = web.ServerRunner(web.Server(partner.take, access_log=None), shutdown_timeout=0.1)
    await runner.setup()
    await web.TCPSite(runner, host, 0).start()
    partner.endpoint = f"http://{host}:{runner.addresses[0][1]}/posts"
    try:
        yield partner
    finally:
        await runner.cleanup()
