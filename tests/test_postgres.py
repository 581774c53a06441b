"""The server the tests run on is real, cleans up after itself, and is never quietly done without in CI."""

import asyncio
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import make_url, text
from sqlalchemy.ext.asyncio import create_async_engine

from cotterline.store.address import driver_url
from tests import postgres


def databases(server: postgres.Server) -> set[str]:
    async def names() -> set[str]:
        engine = create_async_engine(driver_url(server.admin_url))
        async with engine.connect() as connection:
            found = set((await connection.execute(text("SELECT datname FROM pg_database"))).scalars())
        await engine.dispose()
        return found

    return asyncio.run(names())


def test_a_server_that_is_given_is_used_and_left_as_it_was(
    postgres_server: postgres.Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TEST_DATABASE_URL", postgres_server.admin_url)
    before = databases(postgres_server)
    with postgres.server() as borrowed:
        url = borrowed.create()
        assert make_url(url).database in databases(postgres_server) - before
        borrowed.drop(url)
    assert databases(postgres_server) == before


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """Give a folder that the server's user may enter, as pytest's own are not."""
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o755)
        yield Path(name)


@pytest.mark.parametrize("in_memory", [True, False])
def test_a_server_of_our_own_leaves_neither_process_nor_file(
    open_folder: Path, monkeypatch: pytest.MonkeyPatch, *, in_memory: bool
) -> None:
    monkeypatch.delenv("TEST_DATABASE_URL", raising=False)
    monkeypatch.setattr(tempfile, "tempdir", str(open_folder))
    monkeypatch.setattr(postgres, "MEMORY", open_folder if in_memory else open_folder / "missing")
    with postgres.server():
        (status,) = open_folder.glob("*/postmaster.pid")
        process = int(status.read_text().split()[0])
        os.kill(process, 0)
    assert list(open_folder.iterdir()) == []
    with pytest.raises(ProcessLookupError):
        os.kill(process, 0)


def test_without_its_programs_the_message_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("TEST_DATABASE_URL", raising=False)
    monkeypatch.setattr(postgres, "WHEEL", "no_such_wheel")
    with pytest.raises(postgres.UnavailableError, match=r"extra 'tests'.*TEST_DATABASE_URL"), postgres.server():
        pass


@pytest.mark.parametrize(("value", "outcome"), [("true", "Failed"), ("1", "Failed"), ("", "Skipped")])
def test_a_missing_server_is_a_skip_at_home_and_a_failure_in_ci(value: str, outcome: str) -> None:
    with pytest.raises((pytest.fail.Exception, pytest.skip.Exception)) as end:
        postgres.give_up(postgres.UnavailableError("none here"), {"CI": value})
    assert type(end.value).__name__ == outcome
