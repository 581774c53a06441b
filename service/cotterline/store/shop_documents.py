"""What shops set for themselves, as documents: every version is kept, so that what was made by an old one stays clear.

The settings and the labour book are such documents. A shop has one of each kind in each mode; version 0 is what holds
before it sets anything.
"""

from datetime import datetime
from typing import Final, Generic, Literal, TypeVar

import msgspec
from sqlalchemy import ColumnElement, and_, func, select
from sqlalchemy.dialects.postgresql import insert

from cotterline.bench.labour.book import DEFAULT_BOOK, LabourBook
from cotterline.bench.shop_profile import DEFAULT, ShopProfile
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.tables import shop_documents
from cotterline.store.tenancy import Tenant, owned, ownership

Content = TypeVar("Content", bound=msgspec.Struct)


class DocumentVersion(msgspec.Struct, Generic[Content], frozen=True, kw_only=True):
    """A document of a shop's at one time.

    Attributes:
        version: counts the changes; 0 where the shop never set anything.
        content: what was set.
    """

    version: int
    content: Content


class ShopDocument(Generic[Content]):
    """One kind of document.

    Args:
        kind: how its rows are told from those of other kinds.
        default: what holds before anything is set.
    """

    def __init__(self, kind: Literal["settings", "labour_book"], default: Content) -> None:
        self.kind = kind
        self.unset = DocumentVersion(version=0, content=default)

    async def current(self, tx: ReadTransaction) -> DocumentVersion[Content]:
        """Return what the tenant set last."""
        last = select(func.max(shop_documents.c.version)).where(self._mine(tx.tenant)).scalar_subquery()
        return await self._read(tx, shop_documents.c.version == last) or self.unset

    async def get(self, tx: ReadTransaction, version: int) -> DocumentVersion[Content] | None:
        """Return one version of the tenant's, if there was one."""
        return self.unset if version == 0 else await self._read(tx, shop_documents.c.version == version)

    async def add(self, tx: WriteTransaction, changed: DocumentVersion[Content], *, at: datetime, actor: str) -> bool:
        """Add the next version, unless another change was faster and took its number; tell whether it was added."""
        row = {
            "kind": self.kind,
            "version": changed.version,
            "created_at": at,
            "actor": actor,
            "content": msgspec.json.encode(changed.content),
        }
        added = insert(shop_documents).values(row | ownership(tx.tenant)).on_conflict_do_nothing()
        return await tx.execute(added) == 1

    def _mine(self, tenant: Tenant) -> ColumnElement[bool]:
        return and_(owned(shop_documents, tenant), shop_documents.c.kind == self.kind)

    async def _read(self, tx: ReadTransaction, which: ColumnElement[bool]) -> DocumentVersion[Content] | None:
        columns = (shop_documents.c.version, shop_documents.c.content)
        rows = await tx.rows(select(*columns).where(self._mine(tx.tenant), which))
        if not rows:
            return None
        content = msgspec.json.decode(rows[0]["content"], type=type(self.unset.content))
        return DocumentVersion(version=rows[0]["version"], content=content)


SETTINGS: Final = ShopDocument[ShopProfile]("settings", DEFAULT)
LABOUR_BOOK: Final = ShopDocument[LabourBook]("labour_book", DEFAULT_BOOK)
