"""Who calls: the key in the Authorization header, whose it is, and whether it may do what is asked.

A handler states the scope it needs as ``opt={"scope": "read"}``; ``None`` opens it to everyone. The application does
not start with a handler that states nothing.
"""

import re
from datetime import UTC, datetime
from typing import Any, Final
from uuid import UUID

import msgspec
from litestar import Request
from litestar.handlers import HTTPRouteHandler

from cotterline.api.key_uses import KeyUses
from cotterline.api.problems import RequestRefusedError, call_of
from cotterline.store import key_text, keys
from cotterline.store.database import Database, ReadTransaction
from cotterline.store.tenancy import SCOPES, SERVICE, Scope, Tenant

_BEARER: Final = re.compile(r"bearer +([!-~]+)", re.IGNORECASE)
"""RFC 6750, section 2.1; the name of a scheme knows no case (RFC 9110, section 11.1)."""

_NO_KEY: Final = {"WWW-Authenticate": "Bearer"}
_BAD_KEY: Final = {"WWW-Authenticate": 'Bearer error="invalid_token"'}
_WORDS: Final = "This call needs a key that this service issued and that is neither revoked nor past its time."


class Caller(msgspec.Struct, frozen=True):
    """Who calls, once the key is known to be good."""

    tenant: Tenant
    key_id: str
    scopes: frozenset[Scope]


def needed_scope(handler: HTTPRouteHandler) -> Scope | None:
    """The scope a handler asks for, or None if it is open to everyone.

    Raises:
        RuntimeError: the handler does not say.
    """
    if handler.http_methods == {"OPTIONS"}:  # Litestar's own, which tells the methods of a path
        return None
    scope: Scope | None = handler.opt.get("scope", "unsaid")
    if scope is not None and scope not in SCOPES:
        raise RuntimeError(f"{handler} must say in its opt which scope it needs: {', '.join(SCOPES)} or None")
    return scope


async def admit(request: Request[Any, Any, Any]) -> None:
    """Let a request in whose key may do what it asks for; runs before every handler, and before its body is read.

    Raises:
        RequestRefusedError: ``unauthenticated``, worded alike whatever is wrong with the key, or ``forbidden-scope``.
    """
    scope = needed_scope(request.route_handler)
    if scope is None:
        return
    caller = await _authenticated(request)
    request.scope["state"]["caller"] = caller
    call_of(request.scope).logged.update(shop=str(caller.tenant.shop), mode=caller.tenant.mode, key_id=caller.key_id)
    if scope not in caller.scopes:
        raise lacks_scope(scope)


def caller_of(request: Request[Any, Any, Any]) -> Caller:
    """Who makes this request; only where the handler asks for a scope."""
    caller: Caller = request.scope["state"]["caller"]
    return caller


async def check_key(tx: ReadTransaction, caller: Caller, now: datetime) -> None:
    """Hold that the key of somebody who was let in would still open the door.

    Raises:
        RequestRefusedError: ``unauthenticated``.
    """
    kept = await keys.get(tx, UUID(caller.key_id))
    if kept is None or not kept.is_alive(now):
        raise _refusal()


def lacks_scope(*missing: Scope) -> RequestRefusedError:
    """The refusal for a key without these scopes (RFC 6750, section 3.1)."""
    header = {"WWW-Authenticate": f'Bearer error="insufficient_scope", scope="{" ".join(missing)}"'}
    return RequestRefusedError("forbidden-scope", f"This key lacks the scope {', '.join(missing)}.", headers=header)


async def _authenticated(request: Request[Any, Any, Any]) -> Caller:
    given = request.headers.getall("authorization", [])
    if not given:
        raise RequestRefusedError("unauthenticated", _WORDS, headers=_NO_KEY)
    found = _BEARER.fullmatch(given[0]) if len(given) == 1 else None
    told = key_text.read(found[1]) if found else None
    if found is None or told is None:
        raise _refusal()
    now = datetime.now(UTC)
    database: Database = request.app.state.database
    async with database.read(SERVICE) as tx:
        kept = await keys.find(tx, told.id)
    if kept is None or not kept.opens(found[1], now):
        raise _refusal()
    uses: KeyUses = request.app.state.key_uses
    uses.note(kept.tenant, kept.row.id, now)
    return Caller(kept.tenant, str(kept.row.id), frozenset(kept.row.scopes))


def _refusal() -> RequestRefusedError:
    return RequestRefusedError("unauthenticated", _WORDS, headers=_BAD_KEY)
