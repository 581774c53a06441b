"""The migrate command brings either database to this version's tables, once."""

import sqlite3
from pathlib import Path

import pytest

from cotterline.store import migrate
from tests.command_line import run
from tests.conftest import Backend

pytestmark = pytest.mark.anyio


async def test_migrating_creates_the_tables_and_again_changes_nothing(
    empty_database_url: str, backend: Backend, tmp_path: Path
) -> None:
    first = run("migrate", folder=tmp_path, COTTERLINE_DATABASE_URL=empty_database_url)
    assert (first.returncode, first.stderr) == (0, "")
    assert first.stdout.startswith(f"{backend}://")
    assert await migrate.pending(empty_database_url) == ()
    assert run("migrate", "--database", empty_database_url, folder=tmp_path).stdout == first.stdout


def test_a_file_that_is_no_database_is_refused(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("measure the blue one again " * 100)
    with pytest.raises(sqlite3.DatabaseError):
        sqlite3.connect(tmp_path / "notes.txt").execute("SELECT * FROM sqlite_master")
    refused = run("migrate", "--database", "sqlite:///notes.txt", folder=tmp_path)
    assert refused.returncode == 1
    assert "sqlite:///notes.txt cannot be used: file is not a database" in refused.stderr
