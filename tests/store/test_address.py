"""An operator writes a plain URL; the driver gets its own."""

import pytest

from cotterline.store.address import driver_url


@pytest.mark.parametrize(
    ("given", "driver"),
    [
        ("sqlite:///cotterline.sqlite3", "sqlite+aiosqlite:///cotterline.sqlite3"),
        ("sqlite:////var/lib/bench/a b.db", "sqlite+aiosqlite:////var/lib/bench/a b.db"),
        ("postgresql://u:p%40ss@db:5433/bench", "postgresql+asyncpg://u:p%40ss@db:5433/bench"),
        ("postgres://db/bench", "postgresql+asyncpg://db/bench"),
        ("postgresql+asyncpg://db/bench", "postgresql+asyncpg://db/bench"),
        ("postgresql://db/bench?sslmode=verify-full", "postgresql+asyncpg://db/bench?ssl=verify-full"),
        ("postgresql://db/bench?ssl=require", "postgresql+asyncpg://db/bench?ssl=require"),
    ],
)
def test_a_url_is_handed_to_the_asynchronous_driver(given: str, driver: str) -> None:
    assert driver_url(given).render_as_string(hide_password=False) == driver


@pytest.mark.parametrize(
    "given",
    [
        "",
        "bench",
        "sqlite://",
        "sqlite:///",
        "sqlite:///:memory:",
        "sqlite:///a?mode=ro",
        "oracle://db/bench",
        "sqlite+pysqlite:///a",
        "postgresql+psycopg://db/bench",
        "sqlite+asyncpg:///a",
    ],
)
def test_anything_else_is_refused(given: str) -> None:
    with pytest.raises(ValueError, match=r"database|only|must name"):
        driver_url(given)
