"""The whole of it: hosts, load, faults, and then peace, until all is posted or time is up."""

import asyncio
import contextlib
import time
from collections import Counter
from collections.abc import AsyncIterator, Callable, Sequence
from pathlib import Path
from typing import Final, NamedTuple

import httpx

from cotterline.store.cipher import made_key
from cotterline.store.migrate import migrate
from tests import postgres, shops
from tests.api.ordering import set_parts, set_prices, set_supplier
from tests.delivery.test_database_restarts import crash
from tests.faults import partners
from tests.faults.clients import Client, RefusedError
from tests.faults.hosts import Host, running
from tests.faults.ledger import Ledger
from tests.faults.memory import Course, Watch
from tests.faults.network import Network
from tests.faults.partners import Partner, listening
from tests.faults.timeline import Fault, Plan, drawn

CLIENTS: Final = 3
SETTLE_SECONDS: Final = 150.0
"""Leases of workers that were killed run out after a minute. A long load leaves more to be posted, see `_settle`."""


class Stage(NamedTuple):
    """What faults happen to."""

    hosts: tuple[Host, ...]
    database: postgres.Started
    shop: shops.Shop
    supplier: Partner
    subscriber: Partner

    async def happen(self, fault: Fault) -> None:
        """Let one fault begin and end."""
        host = self.hosts[fault.host]
        if fault.kind == "crash database":
            await crash(self.database)
        elif fault.kind in {"cut", "mute", "lose answers"}:
            if fault.kind == "cut":
                host.cable.cut()
            elif fault.kind == "mute":
                host.cable.mute(host.cable.outside, host.cable.clients)
            else:
                host.cable.mute(host.cable.clients)
            await asyncio.sleep(fault.lasts)
            host.cable.mend()
        else:
            role: Final = "server" if fault.kind == "kill server" else "worker"
            await asyncio.to_thread(host.kill, role)
            await asyncio.sleep(fault.lasts)
            host.start(role)


class Figures(NamedTuple):
    """What is told besides the verdict."""

    faults: Counter[str]
    answers: Counter[str]
    memory: tuple[Course, ...]
    """Of each process, during the load."""

    ended: tuple[str, ...]
    """Processes that ended though nobody killed them."""


async def rehearse(
    own: postgres.Started, network: Network, folder: Path, plan: Plan, say: Callable[[str], None]
) -> tuple[Ledger, Figures]:
    """Run the load with the faults of a plan, wait for peace, and give what everybody saw.

    Args:
        own: a database server that listens outside the hosts.
        network: what joins the hosts.
        folder: for the logs.
        plan: how long, with which faults, how hard.
        say: told each fault as it begins.
    """
    seed = plan.seed
    async with _staged(own, network, folder, seed) as stage:
        addresses = [host.address for host in stage.hosts]
        doors = (stage.shop.headers, network.clients)
        clients = [Client(addresses, doors, seed * 100 + n) for n in range(CLIENTS)]
        watch = Watch(stage.hosts)
        ended = asyncio.Event()
        async with asyncio.TaskGroup() as group:
            for client in clients:
                group.create_task(client.work(ended, plan.rest))
            looking = group.create_task(watch.look())
            faults = await _pass(stage, drawn(plan, len(stage.hosts)), plan.seconds, say)
            looking.cancel()
            stage.supplier.calm = stage.subscriber.calm = True
            ended.set()
        reader = Client(addresses, doors, seed * 100 + CLIENTS)
        await _settle(reader, SETTLE_SECONDS + plan.seconds / 4, say)
        ledger = Ledger(
            accepted_quotes=tuple(one for client in clients for one in client.accepted_quotes),
            accepted_orders={quote: ids for client in clients for quote, ids in client.accepted_orders.items()},
            quotes=tuple([str(one["id"]) async for one in reader.every("quotes")]),
            orders=await reader.orders(),
            events=await reader.events(),
            supplied=tuple(stage.supplier.posts),
            told=tuple(stage.subscriber.posts),
            refused=tuple(one for client in clients for one in client.refused),
        )
        figures = Figures(
            faults=faults,
            answers=sum((client.answers for client in clients), Counter()),
            memory=watch.courses(),
            ended=tuple(f"{role} of host {n}" for n, host in enumerate(stage.hosts) for role in host.has_ended()),
        )
    return ledger, figures


@contextlib.asynccontextmanager
async def _staged(own: postgres.Started, network: Network, folder: Path, seed: int) -> AsyncIterator[Stage]:
    await asyncio.to_thread(asyncio.run, migrate(own.url))
    shop = (await shops.add(own.url)).a
    settings = {
        "COTTERLINE_DATABASE_URL": own.url,
        "COTTERLINE_OPEN_NETWORKS": network.prefix,
        "COTTERLINE_SECRET_KEYS": made_key(),
    }
    async with (
        listening(network.outside, Partner("order_id", seed)) as supplier,
        listening(network.outside, Partner("position", seed + 1)) as subscriber,
    ):
        with contextlib.ExitStack() as stack:
            hosts = tuple(stack.enter_context(running(cable, folder, settings)) for cable in network.cables)
            await asyncio.to_thread(_stock, hosts[0].address, shop, supplier.endpoint)
            client = Client([hosts[0].address], (shop.headers, network.clients), seed)
            subscription = {"endpoint": subscriber.endpoint, "timeout_seconds": partners.TIMEOUT_SECONDS}
            await client.make("/v1/subscriptions", subscription)
            yield Stage(hosts, own, shop, supplier, subscriber)


def _stock(address: str, shop: shops.Shop, endpoint: str) -> None:
    with httpx.Client(base_url=address, headers=shop.headers, timeout=30) as client:
        set_parts(client)
        set_prices(client)
        set_supplier(client, endpoint=endpoint, timeout_seconds=partners.TIMEOUT_SECONDS)


async def _pass(stage: Stage, faults: Sequence[Fault], seconds: float, say: Callable[[str], None]) -> Counter[str]:
    """Let the faults happen in their time, and return how many of each kind did."""
    began = time.monotonic()
    happened: Counter[str] = Counter()
    for fault in faults:
        await asyncio.sleep(max(0.0, began + fault.at - time.monotonic()))
        where = "" if fault.kind == "crash database" else f", host {fault.host}, for {fault.lasts} s"
        say(f"{time.monotonic() - began:7.1f} s  {fault.kind}{where}")
        await stage.happen(fault)
        happened[fault.kind] += 1
    await asyncio.sleep(max(0.0, began + seconds - time.monotonic()))
    return happened


async def _settle(reader: Client, seconds: float, say: Callable[[str], None]) -> None:
    """Ask for another try of whatever waits for one, until nothing does or time is up: the checks tell what is left."""
    deadline = time.monotonic() + seconds
    asked: set[str] = set()
    while time.monotonic() < deadline:
        waiting = [one async for one in reader.every("deliveries") if one["state"] != "delivered"]
        if not waiting:
            return
        say(f"           {len(waiting)} posts are left")
        for one in waiting:
            if one["id"] not in asked:
                with contextlib.suppress(RefusedError):  # it is being posted at this moment
                    await reader.make(f"/v1/deliveries/{one['id']}/retries", {})
                    asked.add(one["id"])
        await asyncio.sleep(3)
