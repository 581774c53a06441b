"""A column type keeps its value whole or refuses it, on both databases alike."""

from datetime import UTC, datetime, timedelta, timezone

import pytest
from sqlalchemy import cast, literal, select
from sqlalchemy.exc import StatementError

from cotterline.bench.errors import CotterlineError
from cotterline.store.columns import PlainText, UtcDateTime
from cotterline.store.database import Database
from cotterline.store.tenancy import SERVICE

pytestmark = pytest.mark.anyio


async def echo_time(database: Database, value: datetime | None) -> datetime | None:
    async with database.read(SERVICE) as tx:
        (row,) = await tx.rows(select(literal(value, UtcDateTime).label("value")))
    found: datetime | None = row["value"]
    return found


@pytest.mark.parametrize(
    "value",
    [
        datetime(2024, 5, 1, 12, 0, 0, 1, tzinfo=UTC),
        datetime(1970, 1, 1, tzinfo=UTC),
        datetime(2024, 3, 31, 2, 30, tzinfo=timezone(timedelta(hours=-3, minutes=-30))),
        None,
    ],
)
async def test_an_instant_comes_back_the_same_and_in_utc(database: Database, value: datetime | None) -> None:
    found = await echo_time(database, value)
    assert found == value
    assert found is None or found.utcoffset() == timedelta(0)


async def test_a_time_without_an_offset_is_refused(database: Database) -> None:
    naive = datetime(2024, 5, 1, 12)  # noqa: DTZ001 -- the fault under test
    with pytest.raises(StatementError, match="names no instant"):
        await echo_time(database, naive)


@pytest.mark.parametrize("value", ["", "line\nbreak", "\N{BICYCLE}", "\x01", None])
async def test_plain_text_comes_back_the_same(database: Database, value: str | None) -> None:
    async with database.read(SERVICE) as tx:
        (row,) = await tx.rows(select(cast(literal(value, PlainText), PlainText).label("value")))
    assert row["value"] == value


@pytest.mark.parametrize("value", ["\0", "a\0", "before \ud83d", "\udc00 after"])
async def test_text_that_one_database_cannot_hold_is_refused_on_both(database: Database, value: str) -> None:
    with pytest.raises(CotterlineError) as refusal:
        async with database.read(SERVICE) as tx:
            await tx.rows(select(literal(value, PlainText)))
    assert refusal.value.code == "payload-unstorable"
