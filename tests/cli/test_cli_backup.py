"""A database is written to one file and filled from it by the installed commands, whole or not at all."""

import fcntl
import gzip
import os
import shlex
import struct
import subprocess
import termios
import time
import zlib
from collections.abc import Sequence
from pathlib import Path
from typing import IO

import pytest
from sqlalchemy import make_url

from tests.command_line import COMMAND, environment, run
from tests.conftest import Backend, Databases

SHELL = "/bin/sh"


@pytest.fixture
def made(database_url: str, tmp_path: Path) -> Path:
    """A backup of a database with two shops."""
    file = tmp_path / "night.jsonl.gz"
    done = run("backup", str(file), folder=tmp_path, COTTERLINE_DATABASE_URL=database_url)
    assert (done.returncode, done.stderr) == (0, "")
    return file


def rows(file: Path) -> Sequence[bytes]:
    with gzip.open(file) as unpacked:
        return [line for line in unpacked if line.startswith(b"[")]


def is_read(pipe: IO[bytes]) -> bool:
    """Whether nothing of what was written is still waiting to be read."""
    return fcntl.ioctl(pipe, termios.FIONREAD, bytes(4)) == struct.pack("i", 0)


def test_a_backup_is_for_its_owner_alone_and_restores_to_the_same(
    made: Path, empty_database_url: str, tmp_path: Path
) -> None:
    assert made.stat().st_mode & 0o777 == 0o600
    told = run("restore", made.name, folder=tmp_path, COTTERLINE_DATABASE_URL=empty_database_url)
    assert (told.returncode, told.stderr) == (0, "")
    assert f"holds {len(rows(made))} rows as they were on 20" in told.stdout
    again = run("backup", ".", folder=tmp_path, COTTERLINE_DATABASE_URL=empty_database_url)
    (second,) = tmp_path.glob("cotterline-20*.jsonl.gz")
    assert str(second.stat().st_size) in again.stdout
    assert rows(second) == rows(made)
    assert len(rows(made)) > 6


def test_a_database_that_holds_something_is_not_filled(made: Path, database_url: str, tmp_path: Path) -> None:
    refused = run("restore", made.name, folder=tmp_path, COTTERLINE_DATABASE_URL=database_url)
    assert refused.returncode == 1
    assert "the database is not empty" in refused.stderr


def test_a_file_cut_short_fills_nothing(made: Path, empty_database_url: str, tmp_path: Path) -> None:
    for cut in (0, 100, made.stat().st_size - 9):
        (tmp_path / "cut.gz").write_bytes(made.read_bytes()[:cut])
        refused = run("restore", "cut.gz", folder=tmp_path, COTTERLINE_DATABASE_URL=empty_database_url)
        assert (refused.returncode, refused.stdout) == (1, "")
        assert "it is damaged, or ends too early" in refused.stderr
    assert run("restore", made.name, folder=tmp_path, COTTERLINE_DATABASE_URL=empty_database_url).returncode == 0


def test_a_restore_that_is_killed_leaves_the_database_empty(
    made: Path, empty_database_url: str, tmp_path: Path
) -> None:
    lines = gzip.decompress(made.read_bytes()).splitlines(keepends=True)
    packer = zlib.compressobj(wbits=zlib.MAX_WBITS | 16)  # with the head of a gzip file
    most = packer.compress(b"".join(lines[:-1])) + packer.flush(zlib.Z_SYNC_FLUSH)
    os.mkfifo(tmp_path / "slow.gz")
    command = (*COMMAND, "restore", "slow.gz")
    running = subprocess.Popen(command, cwd=tmp_path, env=environment(COTTERLINE_DATABASE_URL=empty_database_url))  # noqa: S603 - this very program
    with running, (tmp_path / "slow.gz").open("wb", buffering=0) as pipe:
        pipe.write(most)
        while not is_read(pipe):
            time.sleep(0.01)
        running.kill()
        running.wait()
    assert run("restore", made.name, folder=tmp_path, COTTERLINE_DATABASE_URL=empty_database_url).returncode == 0


@pytest.mark.parametrize("backend", ["sqlite"])
def test_a_full_disk_leaves_no_half_file(database_url: str, backend: Backend, tmp_path: Path) -> None:
    del backend
    folder = tmp_path / "disk"
    folder.mkdir()
    limited = "ulimit -f 0; exec " + shlex.join((*COMMAND, "backup", "disk/night.gz", "--database", database_url))
    done = subprocess.run(  # noqa: S603 - this very program
        (SHELL, "-c", limited),
        cwd=tmp_path,
        env=environment(),
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1
    assert "disk/night.gz cannot be written: File too large" in done.stderr
    assert [*folder.iterdir()] == []


def test_a_database_before_this_version_is_not_backed_up(empty_database_url: str, tmp_path: Path) -> None:
    refused = run("backup", "x.gz", folder=tmp_path, COTTERLINE_DATABASE_URL=empty_database_url)
    assert refused.returncode == 1
    assert "run `cotterline migrate`" in refused.stderr
    assert not (tmp_path / "x.gz").exists()


@pytest.mark.parametrize("backend", ["sqlite"])
def test_a_move_says_where_the_keys_of_secrets_are(
    database_url: str, postgres_server: Databases, tmp_path: Path
) -> None:
    target = postgres_server.create(migrated=False)
    address = make_url(target)
    warned = run("move", "--to", target, folder=tmp_path, COTTERLINE_DATABASE_URL="sqlite:///nowhere.sqlite3")
    assert "read the password in --to" in warned.stderr
    without = address._replace(password=None).render_as_string()
    own = {"COTTERLINE_DATABASE_URL": database_url, "PGPASSWORD": str(address.password)}
    moved = run("move", "--to", without, folder=tmp_path, **own)
    assert (moved.returncode, moved.stderr) == (0, "")
    assert "set COTTERLINE_SECRET_KEYS" in moved.stdout
    postgres_server.drop(target)
