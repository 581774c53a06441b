"""When each key was last used: noted in memory by every request, kept in the database now and then."""

import asyncio
from datetime import datetime
from typing import Final, NoReturn
from uuid import UUID

import structlog
from sqlalchemy.exc import SQLAlchemyError

from cotterline.store import keys
from cotterline.store.database import Database
from cotterline.store.tenancy import Tenant

EVERY_SECONDS: Final = 30.0
"""How far ``last_used_at`` may lie behind. A process that is killed forgets as much."""

log = structlog.get_logger("cotterline.keys")


class KeyUses:
    """The uses one process has seen and not kept yet: no request waits for them to be written."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._seen: dict[Tenant, dict[UUID, datetime]] = {}

    def note(self, tenant: Tenant, key_id: UUID, at: datetime) -> None:
        """Remember a use."""
        self._seen.setdefault(tenant, {})[key_id] = at

    async def keep(self) -> None:
        """Write what was seen, one transaction a tenant; what cannot be written is dropped, and said so."""
        seen, self._seen = self._seen, {}
        for tenant, used in seen.items():
            try:
                async with self._database.write(tenant) as tx:
                    await keys.note_use(tx, used)
            except (SQLAlchemyError, OSError) as error:
                log.warning("the last use of keys was not kept", keys=len(used), error=type(error).__qualname__)

    async def keep_always(self) -> NoReturn:
        """Keep what was seen, every so often, until cancelled."""
        while True:
            await asyncio.sleep(EVERY_SECONDS)
            await self.keep()
