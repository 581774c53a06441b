"""One post on real sockets: byte for byte, to no address that is closed, within its time, and nowhere further."""

import asyncio
import contextlib
import socket
import ssl
from collections.abc import AsyncIterator, Sequence
from datetime import UTC, datetime, timedelta
from ipaddress import ip_network
from pathlib import Path

import pytest
from aiohttp import web
from aiohttp.abc import AbstractResolver, ResolveResult
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec

from cotterline.delivery.addresses import Network
from cotterline.delivery.post import READ, Post, Poster
from cotterline.delivery.schedule import Answer, Trouble
from tests.delivery.outbox import Heard, Receiving, answering, receiving

pytestmark = pytest.mark.anyio

LOOPBACK: Sequence[Network] = (ip_network("127.0.0.0/8"), ip_network("::1/128"))
BODY = b'{"a": 1}\r\n\xff\x00'

SPELLINGS = [
    "127.0.0.1",
    "[::ffff:127.0.0.1]",
    "[::ffff:7f00:1]",
    "0x7f.1",
    "0x7f000001",
    "１２７.０.０.１",
    "１２７。0。0。1",
    "localhost",
    "LOCALHOST",
    "0.0.0.0",  # noqa: S104 - refused
]
"""Ways to write this machine's address (common practice, no source; the C library's inet_aton reads the numbers)."""

IMPROPER = ["2130706433", "0177.0.0.1", "127.1", "0", "017700000001"]
"""More of them, which are not even looked up."""


class Names(AbstractResolver):
    """Answers with one address after the other, as a name server that is not to be trusted may."""

    def __init__(self, *answers: Sequence[str]) -> None:
        self._answers = [*answers]
        self.asked = 0

    async def resolve(
        self, host: str, port: int = 0, family: socket.AddressFamily = socket.AF_INET
    ) -> list[ResolveResult]:
        """Give the next answer; the last for ever."""
        del family
        found = self._answers[min(self.asked, len(self._answers) - 1)]
        self.asked += 1
        return [
            ResolveResult(
                hostname=host,
                host=address,
                port=port,
                family=socket.AF_INET6 if ":" in address else socket.AF_INET,
                proto=socket.IPPROTO_TCP,
                flags=socket.AI_NUMERICHOST,
            )
            for address in found
        ]

    async def close(self) -> None:
        """Nothing is open."""


@pytest.fixture
async def depot() -> AsyncIterator[Receiving]:
    """Run a receiver on this machine."""
    async with receiving() as receiver:
        yield receiver


def at(depot: Receiving, host: str) -> str:
    return depot.endpoint.replace("127.0.0.1", host)


async def send(  # noqa: PLR0913 - what a test may choose
    endpoint: str,
    *,
    seconds: float = 10,
    opened: Sequence[Network] = LOOPBACK,
    practice: str = "",
    names: Names | None = None,
    trusted: ssl.SSLContext | None = None,
    test: bool = False,
) -> Answer | Trouble:
    post = Post(
        endpoint=endpoint,
        headers={"content-type": "text/plain", "x-depot": "Zoll 1½"},
        body=BODY,
        timeout_seconds=seconds,
        in_test_mode=test,
    )
    async with Poster(opened, practice, names, trusted) as poster:
        return await poster.post(post)


def trouble(came: Answer | Trouble, kind: str) -> str:
    assert isinstance(came, Trouble), came
    assert came.kind == kind, came
    return came.words


async def test_the_very_bytes_and_headers_arrive_and_the_answer_comes_back(depot: Receiving) -> None:
    depot.answers = answering(503, b"full", Retry_After="120")
    came = await send(depot.endpoint)
    assert came == Answer(status=503, retry_after="120", body=b"full")
    (heard,) = depot.heard
    assert heard.body == BODY
    assert heard.headers["content-type"] == "text/plain"
    assert heard.headers["x-depot"].encode(errors="surrogateescape").decode() == "Zoll 1½"


@pytest.mark.parametrize("spelling", SPELLINGS)
async def test_this_machine_is_closed_however_its_address_is_written(depot: Receiving, spelling: str) -> None:
    assert "may not be posted to" in trouble(await send(at(depot, spelling), opened=()), "address")
    assert depot.heard == []


@pytest.mark.parametrize("spelling", IMPROPER)
async def test_an_improper_address_is_refused_even_where_all_is_open(depot: Receiving, spelling: str) -> None:
    came = await send(at(depot, spelling), opened=[ip_network("0.0.0.0/0")])
    assert trouble(came, "address") == "it is no proper address"
    assert depot.heard == []


@pytest.mark.parametrize("spelling", SPELLINGS)
async def test_each_of_these_does_lead_to_this_machine_once_it_is_open(depot: Receiving, spelling: str) -> None:
    opened = (*LOOPBACK, ip_network("0.0.0.0/8"))
    assert await send(at(depot, spelling), opened=opened) == Answer(status=202)
    assert len(depot.heard) == 1


async def test_this_machine_is_closed_by_its_address_of_ipv6_too() -> None:
    async with receiving("::1") as depot:
        for endpoint in (depot.endpoint, depot.endpoint.replace("[::1]", "[0:0:0:0:0:0:0:1]")):
            trouble(await send(endpoint, opened=()), "address")
        assert depot.heard == []
        assert await send(depot.endpoint) == Answer(status=202)


@pytest.mark.parametrize(
    "address",
    ["169.254.169.254", "[fd00:ec2::254]", "[fe80::1]", "10.0.0.1", "192.168.0.1", "[64:ff9b::7f00:1]", "224.0.0.1"],
)
async def test_no_socket_is_opened_to_a_closed_network(address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    opened = []
    monkeypatch.setattr(socket.socket, "connect", lambda *_: opened.append(address))
    trouble(await send(f"http://{address}/latest/meta-data/", opened=()), "address")
    assert opened == []


async def test_a_name_that_leads_to_a_closed_address_is_refused(depot: Receiving) -> None:
    for addresses in (["127.0.0.1"], ["::ffff:127.0.0.1"], ["127.0.0.1", "::1"]):
        trouble(await send(at(depot, "depot.example"), opened=(), names=Names(addresses)), "address")
    assert depot.heard == []


async def test_a_name_that_leads_elsewhere_the_second_time_is_refused_then(depot: Receiving) -> None:
    names = Names(["127.0.0.2"], ["127.0.0.1"])
    only_the_second = [ip_network("127.0.0.2/32")]
    async with Poster(only_the_second, resolver=names) as poster:
        post = Post(endpoint=at(depot, "depot.example"), headers={}, body=b"", timeout_seconds=5, in_test_mode=False)
        trouble(await poster.post(post), "connection")  # nobody listens there, but it is open
        trouble(await poster.post(post), "address")
    assert names.asked == 2
    assert depot.heard == []


async def test_of_a_names_addresses_only_those_that_are_open_are_dialled(depot: Receiving) -> None:
    names = Names(["10.0.0.1", "::1", "127.0.0.1"])
    assert await send(at(depot, "depot.example"), opened=[ip_network("127.0.0.1/32")], names=names) == Answer(
        status=202
    )


async def test_a_connection_that_was_open_for_one_post_is_not_used_for_the_next(depot: Receiving) -> None:
    names = Names(["127.0.0.1"], ["::1"])
    async with Poster([ip_network("127.0.0.0/8")], resolver=names) as poster:
        post = Post(endpoint=at(depot, "depot.example"), headers={}, body=b"", timeout_seconds=5, in_test_mode=False)
        assert await poster.post(post) == Answer(status=202)
        trouble(await poster.post(post), "address")


async def test_a_redirect_is_an_answer_and_not_followed(depot: Receiving) -> None:
    async with receiving() as elsewhere:
        for status in (301, 302, 303, 307, 308):
            depot.answers = answering(status, Location=elsewhere.endpoint)
            came = await send(depot.endpoint)
            assert isinstance(came, Answer)
            assert came.status == status
        assert elsewhere.heard == []


async def test_an_answer_that_does_not_come_in_time_is_trouble(depot: Receiving) -> None:
    async def never(_heard: Heard) -> web.StreamResponse:
        await asyncio.sleep(30)
        return web.Response()

    depot.answers = never
    began = asyncio.get_running_loop().time()
    assert trouble(await send(depot.endpoint, seconds=0.3), "timeout") == "no answer within 0.3 s"
    assert asyncio.get_running_loop().time() - began < 5


async def test_a_head_that_came_is_an_answer_whatever_becomes_of_its_body() -> None:
    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readuntil(b"\r\n\r\n")
        writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 9\r\n\r\nhalf")
        await writer.drain()
        await asyncio.sleep(1)
        writer.close()

    async with listening(answer) as endpoint:
        assert await send(endpoint, seconds=0.3) == Answer(status=200, body=b"half", whole=False)
        assert await send(endpoint, seconds=5) == Answer(status=200, body=b"half", whole=False)


async def test_no_more_of_an_answer_is_read_than_64_kb(depot: Receiving) -> None:
    depot.answers = answering(200, b"x" * READ)
    assert await send(depot.endpoint) == Answer(status=200, body=b"x" * READ)
    depot.answers = answering(200, b"x" * (READ + 1))
    assert await send(depot.endpoint) == Answer(status=200, body=b"x" * READ, whole=False)


async def test_an_answer_without_end_is_cut_off() -> None:
    sent = 0

    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal sent
        await reader.readuntil(b"\r\n\r\n")
        writer.write(b"HTTP/1.1 200 OK\r\n\r\n")
        with contextlib.suppress(ConnectionError):
            while True:
                writer.write(b"x" * 65536)
                sent += 65536
                await writer.drain()

    async with listening(answer) as endpoint:
        came = await send(endpoint, seconds=10)
    assert came == Answer(status=200, body=b"x" * READ, whole=False)
    assert sent < 50_000_000


async def test_an_answer_that_is_packed_is_not_unpacked(depot: Receiving) -> None:
    depot.answers = answering(200, b"\x1f\x8bno gzip", Content_Encoding="gzip")
    assert await send(depot.endpoint) == Answer(status=200, body=b"\x1f\x8bno gzip")


@pytest.mark.parametrize("answer", [b"", b"SSH-2.0-depot\r\n", b"HTTP/1.1 200\r\nbroken", b"HTTP/9 999 ?\r\n\r\n"])
async def test_what_breaks_off_or_is_no_http_is_trouble(answer: bytes) -> None:
    async def broken(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readuntil(b"\r\n\r\n")
        writer.write(answer)
        writer.close()

    async with listening(broken) as endpoint:
        trouble(await send(endpoint), "connection")


async def test_nobody_there_is_trouble_and_so_is_a_name_without_address() -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
        assert trouble(await send(f"http://127.0.0.1:{port}/"), "connection") == "no connection"
    assert trouble(await send("http://depot.invalid/"), "connection") == "its name has no address"  # RFC 6761


@pytest.mark.parametrize("endpoint", ["http://", "http:///a", "http://depot.example:99999/", "ftp://127.0.0.1/", "a"])
async def test_what_is_no_address_is_trouble(endpoint: str) -> None:
    for practice in ("", "http://127.0.0.1:1"):
        assert trouble(await send(endpoint, practice=practice, test=True), "address") == "it is no proper address"


async def test_a_certificate_nobody_vouches_for_is_refused_and_one_that_is_trusted_is_not(tmp_path: Path) -> None:
    serving, trusting = certificate(tmp_path)
    async with receiving(tls=serving) as depot:
        endpoint = at(depot, "localhost").replace("http:", "https:")
        assert "not trusted" in trouble(await send(endpoint), "certificate")
        assert depot.heard == []
        assert await send(endpoint, trusted=trusting) == Answer(status=202)
        wrong_name = at(depot, "127.0.0.1").replace("http:", "https:")
        trouble(await send(wrong_name, trusted=trusting), "certificate")


async def test_the_practice_supplier_is_open_to_tests_alone_and_nothing_beside_it(depot: Receiving) -> None:
    async with receiving() as beside:
        practice = depot.endpoint.partition("/orders")[0]
        assert await send(depot.endpoint, opened=(), practice=practice, test=True) == Answer(status=202)
        trouble(await send(depot.endpoint, opened=(), practice=practice), "address")
        trouble(await send(beside.endpoint, opened=(), practice=practice, test=True), "address")
        trouble(await send(at(depot, "localhost"), opened=(), practice=practice, test=True), "address")
        trouble(await send(depot.endpoint, opened=(), test=True), "address")
        assert len(depot.heard) == 1
        assert beside.heard == []


async def test_nothing_is_kept_from_one_post_to_the_next_nor_taken_from_the_environment(
    depot: Receiving, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with receiving() as proxy:
        monkeypatch.setenv("HTTP_PROXY", proxy.endpoint)
        monkeypatch.setenv("http_proxy", proxy.endpoint)
        depot.answers = answering(200, Set_Cookie="shop=a; Path=/")
        async with Poster(LOOPBACK) as poster:
            post = Post(endpoint=at(depot, "localhost"), headers={}, body=b"", timeout_seconds=5, in_test_mode=False)
            for _ in range(2):
                assert isinstance(await poster.post(post), Answer)
        assert proxy.heard == []
    assert len(depot.heard) == 2
    assert all("cookie" not in heard.headers for heard in depot.heard)


async def test_what_is_told_of_trouble_repeats_nothing_of_the_address(depot: Receiving) -> None:
    secret = "token=swordfish"  # noqa: S105 - invented
    hosts = [at(depot, "10.0.0.1"), "http://depot.invalid/", "http://a b/", "http://127.0.0.1:1/"]
    for endpoint in hosts:
        came = await send(f"{endpoint}?{secret}", opened=())
        assert isinstance(came, Trouble)
        assert "swordfish" not in came.words
        assert "0.0" not in came.words


@contextlib.asynccontextmanager
async def listening(answer: object) -> AsyncIterator[str]:
    """Listen on a free port and let a test write every byte of the answer."""
    server = await asyncio.start_server(answer, "127.0.0.1", 0)  # type: ignore[arg-type] # a handler of streams
    try:
        yield f"http://127.0.0.1:{server.sockets[0].getsockname()[1]}/"
    finally:
        server.close()


def certificate(folder: Path) -> tuple[ssl.SSLContext, ssl.SSLContext]:
    """Contexts of a server called localhost and of a client that trusts it."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "localhost")])
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder(name, name, key.public_key(), x509.random_serial_number(), now, now + timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName("localhost")]), critical=False)
        .sign(key, hashes.SHA256())
    )
    pem = serialization.Encoding.PEM
    private = key.private_bytes(pem, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    file = folder / "localhost.pem"
    file.write_bytes(private + made.public_bytes(pem))
    serving = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    serving.load_cert_chain(file)
    return serving, ssl.create_default_context(cafile=str(file))
