"""Orders, replies, decisions and changes: each kept once, for its shop alone, changed from the version seen."""

import asyncio
from datetime import UTC, datetime, timedelta
from uuid import UUID, uuid5

import msgspec
import pytest
from uuid_utils.compat import uuid7

from cotterline.bench.orders import LineChange, OrderChangeDocument
from cotterline.bench.replies import Accepted, Decision, Reply
from cotterline.store import order_changes, order_decisions, order_replies, orders, quotes
from cotterline.store.cursor import Cursor
from cotterline.store.database import Database
from cotterline.store.order_changes import ChangeRow
from cotterline.store.order_decisions import KeptDecision
from cotterline.store.order_replies import ReplyRow
from cotterline.store.orders import OrderEntry, OrderRow, OrderSearch
from cotterline.store.tenancy import SERVICE, Tenant
from tests.shops import Shop
from tests.store.test_tenancy import quote

pytestmark = pytest.mark.anyio
NOON = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)


def order(quote_id: UUID, supplier: str = "north depot", made: datetime = NOON) -> OrderRow:
    return OrderRow(
        id=uuid5(quote_id, supplier),
        created_at=made,
        actor="key",
        quote_id=quote_id,
        quote_revision=1,
        supplier=supplier,
        state="waiting",
        version=1,
        open_questions=0,
        outcome="waiting",
        document=b'{"b": 1, "a": 2}',
        standing=b"{}",
    )


def entry(row: OrderRow) -> OrderEntry:
    return OrderEntry(**{name: getattr(row, name) for name in OrderEntry.__struct_fields__})


async def kept(database: Database, tenant: Tenant, *suppliers: str) -> list[OrderRow]:
    """Keep a quote with one order for each supplier, an hour between them."""
    made = quote()
    rows = [order(made.id, name, NOON + hours * HOUR) for hours, name in enumerate(suppliers)]
    async with database.write(tenant) as tx:
        await quotes.insert(tx, made)
        for row in rows:
            assert await orders.insert(tx, row)
    return rows


def reply(order_id: UUID, message_id: str = "msg_1") -> ReplyRow:
    said = Reply(at=NOON, says=(Accepted(),), note="by post")
    return ReplyRow(
        id=uuid7(),
        order_id=order_id,
        message_id=message_id,
        source="callback",
        received_at=NOON,
        actor="north depot",
        content=msgspec.json.encode(said),
    )


async def test_an_order_is_read_as_it_was_kept_to_the_byte(database: Database, tenant: Tenant) -> None:
    (row,) = await kept(database, tenant, "north depot")
    async with database.write(tenant) as tx:
        assert await orders.get(tx, row.id) == row
        assert await orders.hold(tx, row.id) == row
        assert not await orders.insert(tx, msgspec.structs.replace(row, document=b"other"))
        assert await orders.get(tx, row.id) == row


async def test_an_order_is_changed_from_the_version_seen_and_never_its_document(
    database: Database, tenant: Tenant
) -> None:
    (row,) = await kept(database, tenant, "north depot")
    sent = msgspec.structs.replace(row, version=2, outcome="sent", state="sent", standing=b"[1]", open_questions=1)
    async with database.write(tenant) as tx:
        assert not await orders.change(tx, sent, 2)
        assert await orders.change(tx, msgspec.structs.replace(sent, document=b"forged", supplier="x"), 1)
        assert not await orders.change(tx, sent, 1)
        assert await orders.get(tx, row.id) == sent


async def test_whoever_holds_an_order_is_waited_for(database: Database, tenant: Tenant) -> None:
    (row,) = await kept(database, tenant, "north depot")

    async def count_on() -> None:
        async with database.write(tenant) as tx:
            seen = await orders.hold(tx, row.id)
            assert seen is not None
            await asyncio.sleep(0.01)
            raised = msgspec.structs.replace(seen, version=seen.version + 1)
            assert await orders.change(tx, raised, seen.version), "somebody else changed it meanwhile"

    await asyncio.gather(*(count_on() for _ in range(4)))
    async with database.read(tenant) as tx:
        found = await orders.get(tx, row.id)
    assert found is not None
    assert found.version == 5


async def test_pages_give_each_order_once_newest_first(database: Database, tenant: Tenant) -> None:
    rows = await kept(database, tenant, "a", "b", "c")
    after: Cursor | None = None
    seen: list[OrderEntry] = []
    async with database.read(tenant) as tx:
        for _ in range(2):
            found = await orders.page(tx, OrderSearch(), after, 2)
            seen.extend(found.orders)
            after = found.following
    assert after is None
    assert seen == [entry(row) for row in reversed(rows)]


async def test_orders_are_found_by_state_and_by_quote(database: Database, tenant: Tenant) -> None:
    first, second = await kept(database, tenant, "a", "b")
    (other,) = await kept(database, tenant, "c")
    async with database.write(tenant) as tx:
        await orders.change(tx, msgspec.structs.replace(second, version=2, state="accepted"), 1)

        async def found(**search: object) -> set[UUID]:
            page = await orders.page(tx, msgspec.convert(search, OrderSearch), None, 10)
            return {row.id for row in page.orders}

        assert await found(state="accepted") == {second.id}
        assert await found(quote_id=other.quote_id) == {other.id}
        assert await found(quote_id=first.quote_id, state="waiting") == {first.id}


async def test_the_service_knows_whose_an_order_is(database: Database, tenant: Tenant) -> None:
    (row,) = await kept(database, tenant, "north depot")
    async with database.read(SERVICE) as tx:
        assert await orders.tenant_of(tx, row.id) == tenant
        assert await orders.tenant_of(tx, uuid7()) is None


async def test_a_message_is_kept_once_for_each_order(database: Database, tenant: Tenant) -> None:
    one, two = await kept(database, tenant, "a", "b")
    first = reply(one.id)
    async with database.write(tenant) as tx:
        assert await order_replies.keep(tx, first)
        assert not await order_replies.keep(tx, msgspec.structs.replace(reply(one.id), content=b"other"))
        assert await order_replies.keep(tx, reply(two.id))
        assert await order_replies.every(tx, one.id) == [first]
        assert await order_replies.count(tx, one.id) == 1
    assert first.heard.reply.says == (Accepted(),)
    assert first.heard.message_id == "msg_1"


async def test_the_first_decision_holds(database: Database, tenant: Tenant) -> None:
    (row,) = await kept(database, tenant, "a")
    taken = Decision(message_id="msg_1", line=1, about="price", taken=True, by="key")
    other = msgspec.structs.replace(taken, about="substitute", taken=False, reasons=("too long",))
    async with database.write(tenant) as tx:
        assert await order_decisions.keep(tx, row.id, KeptDecision(at=NOON, decision=taken))
        late = msgspec.structs.replace(taken, taken=False)
        assert not await order_decisions.keep(tx, row.id, KeptDecision(at=NOON, decision=late))
        assert await order_decisions.keep(tx, row.id, KeptDecision(at=NOON + HOUR, decision=other))
        found = await order_decisions.every(tx, row.id)
    assert found == [KeptDecision(at=NOON, decision=taken), KeptDecision(at=NOON + HOUR, decision=other)]


def change(order_id: UUID) -> ChangeRow:
    document = OrderChangeDocument(
        order_id=order_id,
        change_id=uuid7(),
        changed_on=NOON.date(),
        supplier="a",
        shop="Tide mill",
        changes=(LineChange(line=1, change="cancel", quantity=2, reasons=("not needed",)),),
    )
    content = msgspec.json.encode(document)
    return ChangeRow(id=document.change_id, order_id=order_id, at=NOON, actor="key", content=content)


async def test_changes_are_read_as_they_were_told(database: Database, tenant: Tenant) -> None:
    (row,) = await kept(database, tenant, "a")
    made = change(row.id)
    async with database.write(tenant) as tx:
        await order_changes.insert(tx, made)
        (found,) = await order_changes.every(tx, row.id)
    assert found == made
    assert found.document.changes[0].reasons == ("not needed",)


async def test_no_shop_and_no_mode_sees_anything_of_anothers_orders(
    database: Database, tenant: Tenant, shop_b: Shop, shop_a_test: Shop
) -> None:
    (row,) = await kept(database, tenant, "a")
    decision = Decision(message_id="msg_1", line=1, about="price", taken=True, by="key")
    async with database.write(tenant) as tx:
        await order_replies.keep(tx, reply(row.id))
        await order_decisions.keep(tx, row.id, KeptDecision(at=NOON, decision=decision))
        await order_changes.insert(tx, change(row.id))
    for other in (shop_b.tenant, shop_a_test.tenant):
        async with database.write(other) as tx:
            assert await orders.get(tx, row.id) is None
            assert await orders.hold(tx, row.id) is None
            assert not await orders.change(tx, row, 1)
            assert (await orders.page(tx, OrderSearch(), None, 10)).orders == ()
            assert await order_replies.every(tx, row.id) == []
            assert await order_replies.count(tx, row.id) == 0
            assert await order_decisions.every(tx, row.id) == []
            assert await order_changes.every(tx, row.id) == []
