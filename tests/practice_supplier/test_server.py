"""The practice supplier on real sockets: what is posted to it, what it answers, and what it sends to the service."""

import asyncio
import base64
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from typing import NamedTuple
from uuid import UUID

import msgspec
import pytest
from aiohttp import ClientSession, ServerDisconnectedError, web
from standardwebhooks.webhooks import Webhook

from cotterline.bench.orders import LineChange, OrderChangeDocument, OrderDocument
from cotterline.bench.replies import Accepted, Dispatched, Reply
from cotterline.delivery.signatures import signed
from cotterline.practice_supplier import counter
from cotterline.practice_supplier.postbox import target
from cotterline.practice_supplier.rules import CREDENTIAL, REPLY_SECRET, SIGNING_SECRET
from cotterline.practice_supplier.server import PracticeSupplier
from tests.practice_supplier.orders import change, order

pytestmark = pytest.mark.anyio

MESSAGE = "msg_01900000000070008000000000000001"
PACE = 0.02
SECONDS = 10.0


def now() -> datetime:
    return datetime.now(UTC)


@asynccontextmanager
async def on_a_port(app: web.Application) -> AsyncIterator[str]:
    runner = web.AppRunner(app, access_log=None)
    await runner.setup()
    site = web.TCPSite(runner, "127.0.0.1", 0)
    await site.start()
    yield f"http://127.0.0.1:{runner.addresses[0][1]}"
    await runner.cleanup()


class Heard(NamedTuple):
    """A reply that reached the service: its id and what it says."""

    message_id: str
    reply: Reply


class Service:
    """Listens for replies as the service does, and takes those the published library finds genuine."""

    def __init__(self) -> None:
        self.heard: list[Heard] = []
        self.came = asyncio.Condition()
        self.refuse = 0
        self.url = ""

    async def take(self, request: web.Request) -> web.Response:
        """Take a reply, or refuse it as often as was asked for."""
        body = await request.read()
        if self.refuse:
            self.refuse -= 1
            return web.Response(status=503)
        headers = {name.lower(): value for name, value in request.headers.items()}
        Webhook(REPLY_SECRET).verify(body, headers)
        async with self.came:
            self.heard.append(Heard(headers["webhook-id"], msgspec.json.decode(body, type=Reply)))
            self.came.notify_all()
        return web.Response(status=202)

    async def hears(self, count: int) -> list[Heard]:
        """Wait for that many replies, and a little longer for one too many."""
        async with asyncio.timeout(SECONDS), self.came:
            await self.came.wait_for(lambda: len(self.heard) >= count)
        await asyncio.sleep(PACE * 4)
        assert len(self.heard) == count
        return self.heard


class Bench(NamedTuple):
    """The practice supplier and the service it replies to."""

    supplier: str
    service: Service

    def order(self, reference: str = "", order_id: UUID | None = None) -> OrderDocument:
        """Give an order that asks for replies to the service."""
        asked = order(reference, reply_to=f"{self.service.url}/callbacks")
        return msgspec.structs.replace(asked, order_id=order_id) if order_id else asked

    async def post(
        self,
        document: OrderDocument | OrderChangeDocument | bytes,
        message: str = MESSAGE,
        secret: str = SIGNING_SECRET,
        **headers: str,
    ) -> tuple[int, bytes]:
        """Post a document, signed; gives status and body of the answer."""
        body = document if isinstance(document, bytes) else msgspec.json.encode(document)
        signature = signed([secret], message, now(), body)
        async with (
            ClientSession() as session,
            session.post(f"{self.supplier}/orders", data=body, headers=signature | headers) as answer,
        ):
            return answer.status, await answer.read()


@pytest.fixture
async def bench() -> AsyncIterator[Bench]:
    """Give both, each on a port of its own."""
    service = Service()
    listening = web.Application()
    listening.router.add_post("/callbacks", service.take)
    async with (
        on_a_port(listening) as service.url,
        on_a_port(PracticeSupplier("", PACE, now).application()) as supplier,
    ):
        yield Bench(supplier, service)


async def test_an_order_is_taken_and_accepted_in_a_reply_the_published_library_verifies(bench: Bench) -> None:
    assert (await bench.post(bench.order()))[0] == 202
    ((message_id, reply),) = await bench.service.hears(1)
    assert message_id == f"reply_{bench.order().order_id.hex}_1"
    assert reply.sequence == 1
    assert [type(each) for each in reply.says] == [Accepted]
    assert abs(reply.at - now()) < timedelta(seconds=SECONDS)


async def test_an_order_that_comes_again_is_answered_alike_and_replied_to_once(bench: Bench) -> None:
    first = await bench.post(bench.order())
    assert await bench.post(bench.order()) == first
    assert (await bench.post(bench.order(), message="msg_another"))[0] == 200
    await bench.service.hears(1)


async def test_replies_are_counted_for_each_order_apart(bench: Bench) -> None:
    await bench.post(bench.order("[dispatch]"))
    await bench.post(bench.order("", UUID(int=9)), message="msg_another")
    heard = await bench.service.hears(3)
    assert sorted((each.message_id[-2:], each.reply.sequence) for each in heard) == [("_1", 1), ("_1", 1), ("_2", 2)]


@pytest.mark.parametrize("secret", [REPLY_SECRET, "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"])
async def test_an_order_signed_with_another_secret_is_refused_and_not_replied_to(bench: Bench, secret: str) -> None:
    assert (await bench.post(bench.order(), secret=secret))[0] == 401
    await bench.service.hears(0)


async def test_an_order_that_is_not_signed_is_refused(bench: Bench) -> None:
    async with ClientSession() as session, session.post(f"{bench.supplier}/orders", data=b"{}") as answer:
        assert answer.status == 401
    await bench.service.hears(0)


@pytest.mark.parametrize(
    ("shown", "status"),
    [
        (f"Bearer {CREDENTIAL}", 202),
        (f"bearer {CREDENTIAL}", 202),
        ("Bearer something else", 401),
        ("Basic " + base64.b64encode(f"anyone:{CREDENTIAL}".encode()).decode(), 202),
        ("Basic " + base64.b64encode(b"anyone:else").decode(), 401),
        ("Basic ???", 401),
        ("Negotiate abc", 401),
    ],
)
async def test_a_credential_besides_the_signature_must_be_the_published_one(
    bench: Bench, shown: str, status: int
) -> None:
    assert (await bench.post(bench.order(), Authorization=shown))[0] == status


async def test_500_twice_and_then_the_order_is_taken_once(bench: Bench) -> None:
    statuses = [(await bench.post(bench.order("[fail-twice]")))[0] for _ in range(4)]
    assert statuses == [500, 500, 202, 202]
    await bench.service.hears(1)


async def test_410_is_all_there_is_of_a_supplier_that_is_gone(bench: Bench) -> None:
    assert [(await bench.post(bench.order("[gone]")))[0] for _ in range(2)] == [410, 410]
    await bench.service.hears(0)


async def test_the_connection_is_closed_without_an_answer_and_the_order_taken_all_the_same(bench: Bench) -> None:
    with pytest.raises(ServerDisconnectedError):
        await bench.post(bench.order("[drop]"))
    assert (await bench.post(bench.order("[drop]")))[0] == 202
    await bench.service.hears(1)


async def test_the_first_reply_may_be_the_answer_itself_the_same_at_every_try(bench: Bench) -> None:
    status, body = await bench.post(bench.order("[answer-at-once dispatch]"))
    assert status == 200
    assert isinstance(msgspec.json.decode(body, type=Reply).says[0], Accepted)
    assert await bench.post(bench.order("[answer-at-once dispatch]")) == (status, body)
    ((message_id, reply),) = await bench.service.hears(1)
    assert (message_id[-2:], reply.sequence) == ("_1", 2)
    assert isinstance(reply.says[0], Dispatched)


async def test_a_slow_supplier_answers_in_the_end(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(counter, "SLOW_SECONDS", 0.3)
    began = asyncio.get_running_loop().time()
    assert (await bench.post(bench.order("[slow]")))[0] == 202
    assert asyncio.get_running_loop().time() - began >= 0.3


async def test_a_reply_sent_twice_carries_one_id(bench: Bench) -> None:
    await bench.post(bench.order("[reply-twice]"))
    first, second = await bench.service.hears(2)
    assert first == second


async def test_replies_out_of_order_keep_the_numbers_they_were_said_under(bench: Bench) -> None:
    await bench.post(bench.order("[out-of-order contradict]"))
    heard = await bench.service.hears(3)
    assert [each.reply.sequence for each in heard] == [3, 2, 1]
    assert [each.reply.at for each in heard] == sorted((each.reply.at for each in heard), reverse=True)


async def test_late_replies_come_twenty_times_as_late(bench: Bench) -> None:
    began = asyncio.get_running_loop().time()
    await bench.post(bench.order("[late]"))
    await bench.service.hears(1)
    assert asyncio.get_running_loop().time() - began >= PACE * 20


async def test_a_reply_that_does_not_arrive_is_sent_again_under_its_id(bench: Bench) -> None:
    bench.service.refuse = 1
    await bench.post(bench.order())
    await bench.service.hears(1)


async def test_a_change_is_taken_once_and_its_replies_go_on_counting(bench: Bench) -> None:
    await bench.post(bench.order("[substitute-good dispatch]"))
    await bench.service.hears(2)
    taken = change(LineChange(line=1, change="take_substitute", quantity=1), reply_to=f"{bench.service.url}/callbacks")
    for _ in range(2):
        assert (await bench.post(taken, message="msg_change"))[0] == 202
    heard = await bench.service.hears(4)
    assert [each.reply.sequence for each in heard] == [1, 2, 3, 4]
    assert len({each.message_id for each in heard}) == 4


async def test_a_change_of_an_order_not_remembered_is_replied_to_without_a_count(bench: Bench) -> None:
    refused = change(LineChange(line=1, change="refuse", quantity=1), reply_to=f"{bench.service.url}/callbacks")
    await bench.post(refused)
    ((_, reply),) = await bench.service.hears(1)
    assert not reply.sequence


@pytest.mark.parametrize("body", [b"<Order/>", b'{"their": "own"}', b""])
async def test_a_body_of_another_form_is_taken_if_it_is_signed(bench: Bench, body: bytes) -> None:
    assert (await bench.post(body))[0] == 202
    await bench.service.hears(0)


async def test_whoever_asks_is_told_the_rules_and_the_secrets(bench: Bench) -> None:
    async with ClientSession() as session, session.get(bench.supplier) as answer:
        told = await answer.json()
    assert told["signing_secret"] == SIGNING_SECRET
    assert {"rule": "drop", "shapes": "post"}.items() <= next(e for e in told["rules"] if e["rule"] == "drop").items()


@pytest.mark.parametrize(
    ("reply_to", "service", "goes_to"),
    [
        ("http://127.0.0.1:8/callbacks", "", "http://127.0.0.1:8/callbacks"),
        ("http://localhost:8/callbacks", "", "http://localhost:8/callbacks"),
        ("http://[::1]:8/callbacks", "", "http://[::1]:8/callbacks"),
        ("https://elsewhere.example/callbacks", "", None),
        ("http://169.254.169.254/callbacks", "", None),
        ("file:///etc/passwd", "", None),
        ("/v1/callbacks", "", None),
        ("http://[::1/callbacks", "", None),
        ("/v1/callbacks", "https://bench.example/sub", "https://bench.example/sub/v1/callbacks"),
        ("https://bench.example/v1/callbacks", "https://bench.example", "https://bench.example/v1/callbacks"),
        ("https://bench.example.evil.example/v1", "https://bench.example", None),
        ("https://bench.example@evil.example/v1", "https://bench.example", None),
        ("http://bench.example/v1", "https://bench.example", None),
        ("//evil.example/v1", "https://bench.example", "https://bench.example//evil.example/v1"),
        ("//evil.example/v1", "", None),
        ("http://127.0.0.1:8/callbacks", "https://bench.example", None),
    ],
)
def test_replies_go_to_the_service_and_nowhere_else(reply_to: str, service: str, goes_to: str | None) -> None:
    assert target(reply_to, service) == goes_to


async def test_no_more_is_remembered_than_fits(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(counter, "_REMEMBERED", 3)
    desk = counter.Counter("", PACE)
    make: Callable[[int], bytes] = lambda number: msgspec.json.encode(order(order_id=UUID(int=number)))  # noqa: E731
    for number in range(10):
        desk.serve(f"msg_{number}", make(number), now())
    assert [len(kept) for kept in (desk._posts, desk._taken, desk._orders)] == [3, 3, 3]
