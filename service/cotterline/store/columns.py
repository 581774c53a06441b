"""Column types that hold the same on SQLite and on PostgreSQL, refusing what only one of them would take."""

from datetime import UTC, datetime

from sqlalchemy import DateTime, Dialect, Text
from sqlalchemy.types import TypeDecorator

from cotterline.bench.errors import CotterlineError


class UtcDateTime(TypeDecorator[datetime]):
    """An instant, stored in UTC and read back aware. A time without an offset is refused: it names no instant."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Turn an aware time into UTC; SQLite then writes it as text that sorts in order of time."""
        del dialect
        if value is None:
            return None
        if value.utcoffset() is None:
            raise TypeError(f"{value!r} has no offset, so it names no instant")
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Give back the offset that SQLite does not keep."""
        del dialect
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class PlainText(TypeDecorator[str]):
    """Text without NUL or lone surrogates: SQLite would store a NUL, PostgreSQL cannot."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: Dialect) -> str | None:
        """Pass the text on if both databases can hold it."""
        del dialect
        if value is not None and ("\0" in value or not _encodable(value)):
            raise CotterlineError("payload-unstorable", "text with a NUL or half a surrogate pair cannot be stored")
        return value


def _encodable(value: str) -> bool:
    try:
        value.encode()
    except UnicodeEncodeError:
        return False
    return True
