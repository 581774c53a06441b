"""Changes: what a shop told suppliers about orders it had placed."""

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

import msgspec
from sqlalchemy import insert as insert_into
from sqlalchemy import select

from cotterline.bench.orders import OrderChangeDocument
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.tables import order_changes
from cotterline.store.tenancy import owned, ownership


class ChangeRow(msgspec.Struct, frozen=True, kw_only=True):
    """One change.

    Attributes:
        id: names it for good.
        order_id: of the order.
        at: when it was made.
        actor: id of the key it was made with, or ``rule``.
        content: as this service's own document.
    """

    id: UUID
    order_id: UUID
    at: datetime
    actor: str
    content: bytes

    @property
    def document(self) -> OrderChangeDocument:
        """What was told."""
        return msgspec.json.decode(self.content, type=OrderChangeDocument)


_COLUMNS = tuple(order_changes.c[name] for name in ChangeRow.__struct_fields__)


async def insert(tx: WriteTransaction, change: ChangeRow) -> None:
    """Keep a change of the tenant's order."""
    await tx.execute(insert_into(order_changes).values(msgspec.structs.asdict(change) | ownership(tx.tenant)))


async def every(tx: ReadTransaction, order_id: UUID) -> Sequence[ChangeRow]:
    """Return every change of the tenant's order, the first first."""
    mine = select(*_COLUMNS).where(owned(order_changes, tx.tenant), order_changes.c.order_id == order_id)
    return [ChangeRow(**row) for row in await tx.rows(mine.order_by(order_changes.c.at, order_changes.c.id))]
