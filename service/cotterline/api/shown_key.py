"""A key as the API shows it: never with its secret, save in the answer that issues it."""

from datetime import datetime
from typing import Annotated
from uuid import UUID

import msgspec
from msgspec import UNSET, Meta, UnsetType

from cotterline.store import cursor
from cotterline.store.keys import KeyPage, KeyRow
from cotterline.store.tables import NAME_LENGTH
from cotterline.store.tenancy import SCOPES, Mode, Scope

MAX_LIFETIME_DAYS = 3650


class KeyRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A key to be issued for the shop, in the mode of the key that asks.

    Attributes:
        label: what the key is for. Two keys with one label may live at once: the one in use and its replacement.
        scopes: what it may do; only what the key that asks may do itself.
        lifetime_days: when it ends by itself, in days from now; left out, it lives until it is revoked.
    """

    label: Annotated[str, Meta(min_length=1, max_length=NAME_LENGTH)]
    scopes: Annotated[list[Scope], Meta(min_length=1, max_length=len(SCOPES))]
    lifetime_days: Annotated[int, Meta(ge=1, le=MAX_LIFETIME_DAYS)] | UnsetType = UNSET


class ShownKey(msgspec.Struct, frozen=True, kw_only=True):
    """What is told of a key.

    Attributes:
        id: the public part of the key.
        label: what the key is for.
        mode: whether it sees the shop's live data or its test data.
        scopes: what it may do; none includes another.
        created_at: when it was issued.
        expires_at: when it ends by itself; left out if it does not.
        last_used_at: when it was last used, up to a minute behind; left out if it never was.
        revoked_at: when it was revoked; left out if it was not.
    """

    id: UUID
    label: str
    mode: Mode
    scopes: tuple[Scope, ...]
    created_at: datetime
    expires_at: datetime | UnsetType = UNSET
    last_used_at: datetime | UnsetType = UNSET
    revoked_at: datetime | UnsetType = UNSET


class IssuedKey(ShownKey, frozen=True, kw_only=True):
    """A key just issued.

    Attributes:
        key: the whole key, shown this once: the service keeps only a hash of it.
    """

    key: str


class KeyList(msgspec.Struct, frozen=True, kw_only=True):
    """Some keys, newest first, those that ended included.

    Attributes:
        keys: at most as many as asked for.
        next_cursor: where the next page begins; left out on the last page.
    """

    keys: tuple[ShownKey, ...]
    next_cursor: str | UnsetType = UNSET


def shown(row: KeyRow, mode: Mode) -> ShownKey:
    """The key for the wire."""
    return msgspec.convert(_told(row, mode), ShownKey)


def issued(row: KeyRow, mode: Mode, text: str) -> IssuedKey:
    """The key for the wire, with its text."""
    return msgspec.convert(_told(row, mode) | {"key": text}, IssuedKey)


def listed(page: KeyPage, mode: Mode) -> KeyList:
    """A page of the list for the wire."""
    following = cursor.encode(page.following, "keys") if page.following else UNSET
    return KeyList(keys=tuple(shown(row, mode) for row in page.keys), next_cursor=following)


def _told(row: KeyRow, mode: Mode) -> dict[str, object]:
    known = msgspec.structs.asdict(row) | {"mode": mode}
    return {name: value for name, value in known.items() if value is not None}
