"""A right receiver and a right supplier pass every check; each wrong one is told its fault, and no other."""

from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from typing import Any

import pytest
from aiohttp.test_utils import TestServer

from cotterline.bench.suppliers import OwnJson, Ubl
from cotterline.delivery.post import Poster
from cotterline.partner_kit.callback_checks import CALLBACK_CHECKS
from cotterline.partner_kit.callbacks import Callbacks
from cotterline.partner_kit.checks import COMMON, Check, Outcome, outcomes
from cotterline.partner_kit.receiver_checks import RECEIVER_CHECKS
from cotterline.partner_kit.subject import Events, Orders
from cotterline.partner_kit.supplier_checks import SUPPLIER_CHECKS
from cotterline.partner_kit.trial import Trial
from cotterline.practice_supplier.rules import ORDERS, SIGNING_SECRET
from cotterline.practice_supplier.rules import REPLY_SECRET as PRACTICE_REPLY_SECRET
from cotterline.practice_supplier.server import PracticeSupplier
from tests.command_line import free_port
from tests.delivery.outbox import LOOPBACK
from tests.partner_kit.programs import REPLY_SECRET, SECRET, Program, Receiver, Supplier

pytestmark = pytest.mark.anyio

SIGNED = {"stranger", "unsigned", "bare", "empty-signature", "other-body", "other-id", "other-time"}
RECEIVER_FAULTS: Mapping[str, set[str]] = {
    "": set(),
    "believes everybody": {*SIGNED, "stale", "future"},
    "believes the unsigned": {"unsigned", "bare"},
    "heeds no time": {"stale", "future"},
    "heeds only the old": {"future"},
    "compares what is given": {"empty-signature"},
    "reads the first alone": {"rotation", "other-version"},
    "knows one version": {"other-version"},
    "encodes again": {"odd-bytes"},
    "refuses with 500": {"politely"},
    "refuses with 410": {"politely"},
    "refuses repeats": {"repeat", "repeat-later"},
    "remembers too early": {"cut-off"},
    "one at a time": {"many"},
    "knows no chunks": {"in-chunks"},
    "knows some types": {"every-type"},
    "knows no new type": {"unknown-type"},
    "knows no new field": {"unknown-field"},
    "goes by arrival": {"order-turned"},
    "small bodies only": {"largest"},
}
"""What each fault of :mod:`tests.partner_kit.programs` fails."""

SUPPLIER_FAULTS: Mapping[str, set[str]] = {
    "": set(),
    "takes repeats anew": {"once", "other-order"},
    "takes another body": {"other-order"},
    "knows no change": {"gives-up"},
    "stumbles": {"unknown-part"},
    "writes replies of its own": {"readable"},
}

CALLBACK_FAULTS: Mapping[str, set[str]] = {
    "": set(),
    "calls nobody back": {"calls-back"},
    "signs no reply": {"callback-signed"},
    "signs replies with the other secret": {"callback-signed"},
    "signs once for all": {"callback-signed"},
    "calls back in words of its own": {"callback-readable"},
    "calls it text": {"callback-as-json"},
    "gives replies up": {"callback-again"},
    "names each try anew": {"callback-again"},
    "says something else the second time": {"callback-same"},
}


@asynccontextmanager
async def trial(app: Any, path: str = "/", secret: str = SECRET) -> AsyncIterator[Trial]:  # noqa: ANN401 - an application
    async with TestServer(app) as server, Poster(LOOPBACK) as poster:
        endpoint = str(server.make_url(path))
        yield Trial(poster, endpoint, secret, lambda: datetime.now(UTC), patience=10, pause=0.001)


async def failed(program: Program, checks: Sequence[Check[Any]], kind: Any) -> dict[str, Outcome]:  # noqa: ANN401 - what the checks take
    async with trial(program.application()) as under:
        return {each.name: each for each in await outcomes(checks, under, kind) if each.wrong}


@pytest.mark.parametrize("fault", RECEIVER_FAULTS)
async def test_a_receiver_is_told_its_fault(fault: str) -> None:
    found = await failed(Receiver(fault), RECEIVER_CHECKS, Events(datetime.now(UTC)))
    assert {*found} == RECEIVER_FAULTS[fault], found


@pytest.mark.parametrize("fault", SUPPLIER_FAULTS)
async def test_a_supplier_is_told_its_fault(fault: str) -> None:
    found = await failed(Supplier(fault), SUPPLIER_CHECKS, Orders(OwnJson()))
    assert {*found} == SUPPLIER_FAULTS[fault], found


@pytest.mark.parametrize("fault", CALLBACK_FAULTS)
async def test_a_supplier_is_told_the_fault_of_its_replies(fault: str) -> None:
    port = free_port()
    wait = 0.3 if "callback-again" in CALLBACK_FAULTS[fault] or fault == "calls nobody back" else 20
    callbacks = Callbacks(Orders(OwnJson()), f"http://127.0.0.1:{port}/", REPLY_SECRET, wait)
    async with callbacks.listening("127.0.0.1", port):
        found = await failed(Supplier(fault), CALLBACK_CHECKS, callbacks)
    assert {*found} == CALLBACK_FAULTS[fault], found


async def test_the_practice_supplier_calls_back_well() -> None:
    port = free_port()
    place = f"http://127.0.0.1:{port}"
    callbacks = Callbacks(Orders(OwnJson()), place, PRACTICE_REPLY_SECRET, 20)
    practice = PracticeSupplier(place, 0, lambda: datetime.now(UTC)).application()
    async with trial(practice, ORDERS, SIGNING_SECRET) as under, callbacks.listening("127.0.0.1", port):
        found = await outcomes(CALLBACK_CHECKS, under, callbacks)
    assert [each.name for each in found if each.wrong] == []


async def test_a_receiver_that_takes_a_part_for_the_whole_fails_on_a_slow_body() -> None:
    assert "slow" in await failed(Receiver("reads once"), RECEIVER_CHECKS, Events(datetime.now(UTC)))


async def test_who_sends_elsewhere_is_told_that_nobody_follows() -> None:
    found = await failed(Receiver("sends elsewhere"), RECEIVER_CHECKS, Events(datetime.now(UTC)))
    assert found["genuine"].wrong == "308, which sends elsewhere; nobody follows"


async def test_every_check_is_failed_by_some_fault() -> None:
    faults = (*RECEIVER_FAULTS.values(), *SUPPLIER_FAULTS.values(), *CALLBACK_FAULTS.values())
    told = set().union(*faults, {"slow", "genuine"})
    both = {each.name for each in RECEIVER_CHECKS} | {each.name for each in SUPPLIER_CHECKS}
    assert told == both | {each.name for each in CALLBACK_CHECKS}
    assert len({each.name for each in RECEIVER_CHECKS}) == len(RECEIVER_CHECKS) > len(COMMON)


async def test_the_practice_supplier_passes_in_both_forms() -> None:
    for form in (OwnJson(), Ubl()):
        practice = PracticeSupplier("", 0, lambda: datetime.now(UTC)).application()
        async with trial(practice, ORDERS, SIGNING_SECRET) as under:
            found = await outcomes(SUPPLIER_CHECKS, under, Orders(form))
        assert [each.name for each in found if each.wrong] == []
