"""Whose data a transaction works on: one shop's, in one mode, or nobody's."""

from enum import Enum
from typing import Final, Literal
from uuid import UUID

import msgspec
from sqlalchemy import ColumnElement, Table, and_, text

Mode = Literal["live", "test"]
Scope = Literal["read", "quote", "order", "administer"]

MODES: Final[tuple[Mode, ...]] = ("live", "test")
SCOPES: Final[tuple[Scope, ...]] = ("read", "quote", "order", "administer")
"""What a key may be allowed, each by itself: none includes another."""


class Tenant(msgspec.Struct, frozen=True):
    """One shop in one mode. Live and test data of a shop are as far apart as two shops'."""

    shop: UUID
    mode: Mode


class Service(Enum):
    """The service itself, which owns no data: it looks keys and shops up and sees nothing else."""

    SERVICE = "service"


SERVICE: Final = Service.SERVICE

Party = Tenant | Service
"""On whose behalf a transaction runs."""

ENTER: Final = text(
    "SELECT set_config('cotterline.shop', :shop, true), set_config('cotterline.mode', :mode, true), "
    "set_config('cotterline.service', :service, true)"
)
"""Tells PostgreSQL, until the transaction ends, whose rows its policies may show."""


def settings(party: Party) -> dict[str, str]:
    """The parameters of :data:`ENTER`.

    >>> settings(SERVICE)
    {'shop': '', 'mode': '', 'service': 'on'}
    """
    if isinstance(party, Tenant):
        return {"shop": str(party.shop), "mode": party.mode, "service": ""}
    return {"shop": "", "mode": "", "service": "on"}


def owned(table: Table, tenant: Tenant) -> ColumnElement[bool]:
    """The condition that every query on a tenant's table states, whatever stands behind it."""
    return and_(table.c.shop_id == tenant.shop, table.c.mode == tenant.mode)


def ownership(tenant: Tenant) -> dict[str, object]:
    """The columns that say whose a new row is.

    >>> ownership(Tenant(UUID(int=1), "test"))["mode"]
    'test'
    """
    return {"shop_id": tenant.shop, "mode": tenant.mode}
