"""What faults happen to, and what each of them does."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Final, NamedTuple

import httpx

from cotterline.store.cipher import made_key
from cotterline.store.migrate import migrate
from tests import postgres, shops
from tests.api.ordering import DEPOT, set_supplier
from tests.api.test_exchanges import sell
from tests.delivery.test_database_restarts import crash
from tests.faults import partners
from tests.faults.calls import Caller
from tests.faults.disks import Disk, disk
from tests.faults.hosts import Host, running
from tests.faults.network import Network, network
from tests.faults.partners import Partner, listening
from tests.faults.supplier import Supplier
from tests.faults.timeline import Fault

STEP_SECONDS: Final = 120
"""By which a clock is off: longer than a worker's lease."""


class Grounds(NamedTuple):
    """What there is besides the service."""

    network: Network
    disk: Disk
    database: postgres.Started

    async def vex(self, fault: Fault) -> None:
        """Let a fault of the database begin and end."""
        if fault.kind == "crash database":
            await crash(self.database)
        elif fault.kind == "restart database":
            await asyncio.to_thread(self.database.stop)
            self.database.start()
        else:
            self.disk.fill()
            await asyncio.sleep(fault.lasts)
            self.disk.empty()
        if not await asyncio.to_thread(self.database.is_ready):  # it gives up where it cannot even recover
            self.database.start()
            await asyncio.to_thread(self.database.is_ready)


class Stage(NamedTuple):
    """What faults happen to."""

    hosts: tuple[Host, ...]
    grounds: Grounds
    shop: shops.Shop
    supplier: Supplier
    subscriber: Partner

    async def happen(self, fault: Fault) -> None:
        """Let one fault begin and end."""
        host = self.hosts[fault.host]
        match fault.kind:
            case "cut":
                host.cable.cut()
            case "mute":
                host.cable.mute(host.cable.outside, host.cable.clients)
            case "lose answers":
                host.cable.mute(host.cable.clients)
            case "narrow":
                host.cable.narrow()
            case "clock forth":
                host.clock.step(STEP_SECONDS)
            case "clock back":
                host.clock.step(-STEP_SECONDS)
            case "kill server" | "kill worker":
                await asyncio.to_thread(host.kill, "server" if fault.kind == "kill server" else "worker")
            case _:
                await self.grounds.vex(fault)
                return
        await asyncio.sleep(fault.lasts)
        await asyncio.to_thread(host.set_right)


@contextlib.contextmanager
def grounds() -> Iterator[Grounds]:
    """Give two hosts' network, and a database on a disk that may be filled.

    Raises:
        MissingError: without what makes them.
        UnavailableError: without PostgreSQL.
    """
    with network(2) as joined, disk() as its, postgres.own_server(joined.outside, joined.prefix, its.folder) as own:
        yield Grounds(joined, its, own)


@contextlib.asynccontextmanager
async def staged(its: Grounds, folder: Path, seed: int) -> AsyncIterator[Stage]:
    """Run the service there, with a shop that can order, until the block ends.

    Args:
        its: where.
        folder: for the logs.
        seed: of the partners' moods.
    """
    own, joined = its.database, its.network
    await asyncio.to_thread(asyncio.run, migrate(own.url))
    shop = (await shops.add(own.url)).a
    settings = {
        "COTTERLINE_DATABASE_URL": own.url,
        "COTTERLINE_OPEN_NETWORKS": joined.prefix,
        "COTTERLINE_SECRET_KEYS": made_key(),
    }
    async with (
        listening(joined.outside, Supplier(seed)) as supplier,
        listening(joined.outside, Partner(["position"], seed + 1)) as subscriber,
    ):
        with contextlib.ExitStack() as stack:
            hosts = tuple(stack.enter_context(running(cable, folder, settings)) for cable in joined.cables)
            supplier.caller = Caller([host.address for host in hosts], ({}, joined.outside), seed + 2)
            await asyncio.to_thread(_stock, hosts[0].address, shop, supplier.endpoint)
            client = Caller([hosts[0].address], (shop.headers, joined.clients), seed)
            await client.make(f"/v1/suppliers/{DEPOT}/secrets", {"purpose": "reply", "text": supplier.secret})
            subscription = {"endpoint": subscriber.endpoint, "timeout_seconds": partners.TIMEOUT_SECONDS}
            await client.make("/v1/subscriptions", subscription)
            yield Stage(hosts, its, shop, supplier, subscriber)


def _stock(address: str, shop: shops.Shop, endpoint: str) -> None:
    with httpx.Client(base_url=address, headers=shop.headers, timeout=30) as client:
        sell(client)
        set_supplier(client, endpoint=endpoint, timeout_seconds=partners.TIMEOUT_SECONDS)
