"""Answers kept under the key their request was given: claimed, written and read in the request's own transaction.

The row is claimed before the work and filled after it, and both are committed with what the work made. So a key whose
answer is there stands for work that was done, whatever became of the server before it could answer.
"""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any, Final
from uuid import UUID

import msgspec
from sqlalchemy import Boolean as SqlBoolean
from sqlalchemy import Delete, and_, delete, or_, select, update
from sqlalchemy.dialects.postgresql import insert
from sqlalchemy.exc import DBAPIError
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.functions import FunctionElement

from cotterline.bench.errors import CotterlineError
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.tables import kept_answers
from cotterline.store.tenancy import owned, ownership

KEPT: Final = timedelta(hours=24)
"""How long a key is remembered."""

PRUNED: Final = 20
"""Most keys past their time that one request clears away; as it adds one, the table cannot keep growing."""

LOCK_NOT_AVAILABLE: Final = "55P03"
"""SQLSTATE of a lock that was not had in time (PostgreSQL 18 documentation, appendix A)."""


class KeptAnswer(msgspec.Struct, frozen=True, kw_only=True):
    """An answer as it went out.

    Attributes:
        status: of HTTP.
        headers: those that belong to the answer rather than to one exchange.
        body: byte for byte; empty once it was forgotten, for it held a customer's words.
    """

    status: int
    headers: dict[str, str]
    body: bytes


async def claim(tx: WriteTransaction, key: str, fingerprint: bytes, now: datetime) -> KeptAnswer | None:
    """Take a key for this transaction, or return the answer that is kept under it.

    Where another transaction has taken it and not ended yet, this waits until it has, as long as the database waits
    for a lock.

    Raises:
        CotterlineError: ``idempotency-key-reused`` where the key was used for another request,
            ``idempotency-key-in-flight`` where the wait was in vain.
    """
    old = kept_answers.c.created_at <= now - KEPT
    own = and_(owned(kept_answers, tx.tenant), kept_answers.c.key == key)
    row = {"key": key, "fingerprint": fingerprint, "created_at": now} | ownership(tx.tenant)
    try:
        await tx.execute(delete(kept_answers).where(own, old))
        claimed = await tx.execute(insert(kept_answers).values(row).on_conflict_do_nothing())
    except DBAPIError as error:
        if getattr(error.orig, "sqlstate", None) == LOCK_NOT_AVAILABLE:
            words = "The request this key was sent with first is still being worked on."
            raise CotterlineError("idempotency-key-in-flight", words) from error
        raise
    if claimed:
        return None
    (found,) = await tx.rows(select(kept_answers).where(own))
    if found["fingerprint"] != fingerprint:
        words = "This key was sent with another request before: another path, query or body."
        raise CotterlineError("idempotency-key-reused", words)
    headers = msgspec.json.decode(found["headers"], type=dict[str, str])
    return KeptAnswer(status=found["status"], headers=headers, body=found["body"])


async def keep(tx: WriteTransaction, key: str, answer: KeptAnswer, now: datetime) -> None:
    """Keep the answer under the key this transaction claimed, and clear away keys past their time."""
    own = and_(owned(kept_answers, tx.tenant), kept_answers.c.key == key)
    values = {"status": answer.status, "headers": msgspec.json.encode(answer.headers), "body": answer.body}
    await tx.execute(update(kept_answers).where(own).values(values))
    await tx.execute(_pruning(tx, now, PRUNED))


async def forget(tx: WriteTransaction, ids: Sequence[UUID], now: datetime) -> None:
    """Empty the tenant's answers that name one of these, so that their keys still stand for work that was done."""
    named = [_holds(kept_answers.c.body, str(each).encode()) for each in ids]
    mine = and_(owned(kept_answers, tx.tenant), kept_answers.c.created_at > now - KEPT)
    await tx.execute(update(kept_answers).where(mine, or_(*named)).values(body=b""))


async def old(tx: ReadTransaction, now: datetime) -> bool:
    """Tell whether the tenant has keys past their time."""
    past = and_(owned(kept_answers, tx.tenant), kept_answers.c.created_at <= now - KEPT)
    return bool(await tx.rows(select(kept_answers.c.key).where(past).limit(1)))


async def prune(tx: WriteTransaction, now: datetime, most: int) -> int:
    """Remove up to ``most`` of the tenant's keys past their time; return how many that were."""
    return len(await tx.rows(_pruning(tx, now, most).returning(kept_answers.c.key)))


class _holds(FunctionElement[bool]):  # noqa: N801 - it is called as a function
    """Whether bytes stand somewhere in others."""

    type = SqlBoolean()
    inherit_cache = True


@compiles(_holds, "sqlite")
def _holds_on_sqlite(element: _holds, compiler: SQLCompiler, **kw: Any) -> str:  # noqa: ANN401 - whatever it is handed
    return f"(instr({compiler.process(element.clauses, **kw)}) > 0)"


@compiles(_holds, "postgresql")
def _holds_on_postgresql(element: _holds, compiler: SQLCompiler, **kw: Any) -> str:  # noqa: ANN401 - whatever it is handed
    return f"(pg_catalog.position({compiler.process(element.clauses, **kw)}) > 0)"


def _pruning(tx: WriteTransaction, now: datetime, most: int) -> Delete:
    """Delete the oldest keys past their time, leaving those that another transaction is at."""
    old = (
        select(kept_answers.c.key)
        .where(owned(kept_answers, tx.tenant), kept_answers.c.created_at <= now - KEPT)
        .order_by(kept_answers.c.created_at)
        .limit(most)
        .with_for_update(skip_locked=True)
        .cte("old")  # a plain subquery that skips locked rows may run more than once, and then deletes more
    )
    return delete(kept_answers).where(owned(kept_answers, tx.tenant), kept_answers.c.key.in_(select(old.c.key)))
