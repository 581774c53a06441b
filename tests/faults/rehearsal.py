"""The whole of it: hosts, load, faults, and then peace, until all is posted or time is up."""

import asyncio
import contextlib
import time
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final, NamedTuple

from tests.faults.calls import RefusedError
from tests.faults.clients import Client, Streams
from tests.faults.ledger import Answers, Ledger
from tests.faults.memory import Course, Watch
from tests.faults.reader import Reader
from tests.faults.run import answered
from tests.faults.stage import Grounds, Stage, staged
from tests.faults.supplier import Supplier
from tests.faults.timeline import OF_DATABASE, Fault, Plan, drawn

CLIENTS: Final = 3
RUN_PER_SECOND: Final = 2
"""Bicycles of the run, for each second of load."""

AT_ONCE: Final = 8
"""Calls while it is seen to that all is posted: a long load leaves thousands of posts that wait for a later try."""

NOT_DELIVERED: Final = ("waiting", "held", "failed")
SETTLE_SECONDS: Final = 150.0
"""Leases of workers that were killed run out after a minute. A long load leaves more to be posted, see `_settle`."""


class Figures(NamedTuple):
    """What is told besides the verdict."""

    faults: Counter[str]
    answers: Counter[str]
    memory: tuple[Course, ...]
    """Of each process, during the load."""

    ended: tuple[str, ...]
    """Processes that ended though nobody killed them."""


async def rehearse(its: Grounds, folder: Path, plan: Plan, say: Callable[[str], None]) -> tuple[Ledger, Figures]:
    """Run the load with the faults of a plan, wait for peace, and give what everybody saw.

    Args:
        its: network, disk and database.
        folder: for the logs.
        plan: how long, with which faults, how hard.
        say: told each fault as it begins.
    """
    async with staged(its, folder, plan.seed) as stage:
        addresses = [host.address for host in stage.hosts]
        doors = (stage.shop.headers, its.network.clients)
        clients = [Client(addresses, doors, plan.seed * 100 + n) for n in range(CLIENTS)]
        streams = Streams(addresses, doors, plan.seed * 100 + CLIENTS)
        watch = Watch(stage.hosts)
        ended = asyncio.Event()
        async with asyncio.TaskGroup() as group:
            for client in clients:
                group.create_task(client.work(ended, plan.rest))
            group.create_task(streams.work(ended))
            bicycles = round(plan.seconds * RUN_PER_SECOND)
            run = group.create_task(answered(addresses[0], stage.shop.headers, folder, bicycles))
            looking = group.create_task(watch.look())
            faults = await _pass(stage, drawn(plan, len(stage.hosts)), plan.seconds, say)
            looking.cancel()
            stage.supplier.calm = stage.subscriber.calm = True
            ended.set()
        reader = Reader(addresses, doors, plan.seed * 100 + CLIENTS + 1)
        await _settle(reader, stage.supplier, SETTLE_SECONDS + plan.seconds / 4, say)
        ledger = await _seen(stage, clients, reader, (*streams.read_to_end, run.result()))
        figures = Figures(
            faults=faults,
            answers=sum((each.answers for each in (*clients, streams)), Counter()),
            memory=watch.courses(),
            ended=tuple(f"{role} of host {n}" for n, host in enumerate(stage.hosts) for role in host.has_ended()),
        )
    return ledger, figures


async def _seen(stage: Stage, clients: Sequence[Client], reader: Reader, answers: tuple[Answers, ...]) -> Ledger:
    return Ledger(
        accepted_quotes=tuple(one for client in clients for one in client.accepted_quotes),
        accepted_orders={quote: ids for client in clients for quote, ids in client.accepted_orders.items()},
        accepted_changes={order: (*made,) for client in clients for order, made in client.accepted_changes.items()},
        quotes=await reader.quotes(),
        orders=await reader.orders(),
        events=await reader.events(),
        supplied=tuple(stage.supplier.posts),
        told=tuple(stage.subscriber.posts),
        said={order: tuple(said[n] for n in sorted(said)) for order, said in stage.supplier.said.items()},
        answers=answers,
        refused=(*(one for client in clients for one in client.refused), *stage.supplier.refused),
    )


async def _pass(stage: Stage, faults: Sequence[Fault], seconds: float, say: Callable[[str], None]) -> Counter[str]:
    """Let the faults happen in their time, and return how many of each kind did."""
    began = time.monotonic()
    happened: Counter[str] = Counter()
    for fault in faults:
        await asyncio.sleep(max(0.0, began + fault.at - time.monotonic()))
        where = "" if fault.kind in OF_DATABASE else f", host {fault.host}, for {fault.lasts} s"
        say(f"{time.monotonic() - began:7.1f} s  {fault.kind}{where}")
        await stage.happen(fault)
        happened[fault.kind] += 1
    await asyncio.sleep(max(0.0, began + seconds - time.monotonic()))
    return happened


async def _settle(reader: Reader, supplier: Supplier, seconds: float, say: Callable[[str], None]) -> None:
    """Ask for another try of whatever waits for one, until nothing does or time is up: the checks tell what is left."""
    deadline = time.monotonic() + seconds
    asked: set[str] = set()
    few = asyncio.Semaphore(AT_ONCE)

    async def again(delivery: str) -> None:
        async with few:
            with contextlib.suppress(RefusedError):  # it is being posted at this moment
                await reader.make(f"/v1/deliveries/{delivery}/retries", {})
                asked.add(delivery)

    while time.monotonic() < deadline:
        await supplier.finish()
        left = [[one async for one in reader.every("deliveries", f"&state={state}")] for state in NOT_DELIVERED]
        waiting = [one for some in left for one in some]
        if not waiting:
            return
        say(f"           {len(waiting)} posts are left")
        await asyncio.gather(*(again(one["id"]) for one in waiting if one["id"] not in asked))
        await asyncio.sleep(3)
