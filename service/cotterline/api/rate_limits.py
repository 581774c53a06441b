"""Rate limits: a token bucket for each key and each shop, told in every answer, and one for wrong keys."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from ipaddress import IPv4Address, IPv6Address, ip_address
from typing import Any, Final, Protocol

import msgspec
from litestar import Request

from cotterline.api.caller import Caller, admit, needed_scope
from cotterline.api.drafts import EFFECTIVE_WINDOW, QUOTA, RATE_LIMIT, RATE_LIMIT_POLICY, REMAINING, WINDOW
from cotterline.api.problems import RequestRefusedError, call_of
from cotterline.api.token_bucket import Decision, Policy, decide_together
from cotterline.store import rate_limits
from cotterline.store.database import Database
from cotterline.store.tenancy import Tenant

MOST_IN_MEMORY: Final = 10_000
"""Buckets one process remembers; the one longest unused is forgotten first."""

_PREFIX_BITS: Final = 64
"""Of an IPv6 address: a subscriber has at least this much of the space to himself (RFC 6177, section 2)."""


class Buckets(Protocol):
    """Where the buckets of tenants are kept."""

    async def take(self, tenant: Tenant, limits: Mapping[str, Policy], now: datetime) -> tuple[Decision, ...]:
        """Take one token from each bucket named, or from none where one refuses."""


class BucketsInMemory:
    """Buckets of one process: right as long as it is the only one, forgotten when it ends."""

    def __init__(self) -> None:
        self._full_at: dict[tuple[object, str], datetime] = {}

    async def take(self, tenant: Tenant, limits: Mapping[str, Policy], now: datetime) -> tuple[Decision, ...]:
        """Take one token from each bucket named, or from none where one refuses."""
        return self.take_now(tenant, limits, now)

    def take_now(self, owner: object, limits: Mapping[str, Policy], now: datetime) -> tuple[Decision, ...]:
        """Do the same for any owner, without waiting."""
        names = [(owner, bucket) for bucket in limits]
        found = decide_together([self._full_at.pop(name, None) for name in names], now, 1, [*limits.values()])
        self._full_at |= {name: decision.full_at for name, decision in zip(names, found, strict=True)}
        while len(self._full_at) > MOST_IN_MEMORY:
            del self._full_at[next(iter(self._full_at))]
        return found


class BucketsInDatabase:
    """Buckets that every process on one database shares."""

    def __init__(self, database: Database) -> None:
        self._database = database

    async def take(self, tenant: Tenant, limits: Mapping[str, Policy], now: datetime) -> tuple[Decision, ...]:
        """Take one token from each bucket named, or from none where one refuses, in a short transaction of its own."""
        async with self._database.write(tenant) as tx:
            states = await rate_limits.lock(tx, [*limits], now)
            found = decide_together([states[bucket] for bucket in limits], now, 1, [*limits.values()])
            if all(decision.allowed for decision in found):
                kept = {bucket: decision.full_at for bucket, decision in zip(limits, found, strict=True)}
                await rate_limits.keep(tx, kept)
        return found


class RateLimits(msgspec.Struct, frozen=True):
    """The limits of one application. One that gains nothing a minute is none.

    Attributes:
        key: for each key.
        shop: for all keys of a shop together, those of its test mode apart.
        wrong_keys: for the wrong keys that come from one client address.
        buckets: of keys and shops.
        strangers: of client addresses.
    """

    key: Policy
    shop: Policy
    wrong_keys: Policy
    buckets: Buckets
    strangers: BucketsInMemory

    async def take(self, caller: Caller, now: datetime) -> tuple[Decision, ...]:
        """Take a token from the caller's key and from its shop."""
        limits = {f"key {caller.key_id}": self.key, "shop": self.shop}
        limits = {bucket: policy for bucket, policy in limits.items() if policy.per_minute}
        return await self.buckets.take(caller.tenant, limits, now) if limits else ()

    def turn_away(self, host: str, now: datetime) -> tuple[Decision, ...]:
        """Take a token for a wrong key from the address it came from."""
        if not self.wrong_keys.per_minute:
            return ()
        return self.strangers.take_now(_network(host), {"wrong keys": self.wrong_keys}, now)


async def admit_within_limits(request: Request[Any, Any, Any]) -> None:
    """Let a request in whose key may do what it asks for and has not asked too much; runs before every handler.

    A key without the scope pays too. A right key is never held up by wrong ones, whatever address they share.

    Raises:
        RequestRefusedError: ``rate-limited``, or why the key was refused.
    """
    if needed_scope(request.route_handler) is None:
        return
    limits: RateLimits = request.app.state.rate_limits
    now = datetime.now(UTC)
    try:
        await admit(request)
    except RequestRefusedError:
        _tell(request, await _asked(request, limits, now))
        raise
    _tell(request, await _asked(request, limits, now))


async def _asked(request: Request[Any, Any, Any], limits: RateLimits, now: datetime) -> tuple[Decision, ...]:
    """What the buckets say to whoever asks: a caller, or an address with a wrong key; no key costs nothing."""
    caller: Caller | None = request.scope["state"].get("caller")
    if caller is not None:
        return await limits.take(caller, now)
    return limits.turn_away(_host(request), now) if "authorization" in request.headers else ()


def turn_stranger_away(request: Request[Any, Any, Any], now: datetime) -> None:
    """Take a token from the address of somebody who showed a signature that does not hold, as for a wrong key.

    Raises:
        RequestRefusedError: ``rate-limited``, where there is none left.
    """
    limits: RateLimits = request.app.state.rate_limits
    _tell(request, limits.turn_away(_host(request), now))


def _host(request: Request[Any, Any, Any]) -> str:
    return request.client.host if request.client else ""


def _tell(request: Request[Any, Any, Any], decisions: Sequence[Decision]) -> None:
    """Put what the buckets said into the answer, and refuse the request if one of them did."""
    if not decisions:
        return
    call_of(request.scope).headers.update(fields(decisions))
    wait = max(decision.retry_after for decision in decisions)
    if wait:
        empty = " and ".join(f"{decision.policy.name} limit" for decision in decisions if not decision.allowed)
        words = f"The {empty} is used up; try again in {wait} s."
        raise RequestRefusedError("rate-limited", words, headers={"Retry-After": str(wait)})


def fields(decisions: Sequence[Decision]) -> dict[str, str]:
    """The header fields that tell what is left: Lists of Strings with parameters (RFC 9651).

    >>> from cotterline.api.token_bucket import decide
    >>> noon = datetime(2024, 5, 1, 12, tzinfo=UTC)
    >>> fields([decide(None, noon, 1, Policy("key", per_minute=60, burst=20))])
    {'RateLimit-Policy': '"key";q=20;w=20', 'RateLimit': '"key";r=19;t=1'}
    """
    policies = (
        f'"{decision.policy.name}";{QUOTA}={decision.policy.burst};{WINDOW}={decision.policy.window}'
        for decision in decisions
    )
    left = (
        f'"{decision.policy.name}";{REMAINING}={decision.remaining};{EFFECTIVE_WINDOW}={decision.reset}'
        for decision in decisions
    )
    return {RATE_LIMIT_POLICY: ", ".join(policies), RATE_LIMIT: ", ".join(left)}


def _network(host: str) -> str:
    """What of a client's address is one client's: an IPv4 address, or the first half of an IPv6 address."""
    try:
        address: IPv4Address | IPv6Address = ip_address(host)
    except ValueError:
        return host
    if isinstance(address, IPv4Address):
        return str(address)
    return str(address.ipv4_mapped or int(address) >> _PREFIX_BITS)
