"""The checks of the contract that run on Node, at the versions of the lock file beside this file."""

import fcntl
import hashlib
import os
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import NoReturn

import pytest

FOLDER = Path(__file__).parent
LOCK = FOLDER / "package-lock.json"
INSTALLED = FOLDER / "node_modules"
NODE = Path(sys.executable).parent
"""Node and npm come with the other packages of the tests, so that every machine has the same."""

STAMP = INSTALLED / ".installed-from"
SECONDS = 300

Finished = subprocess.CompletedProcess[str]


def give_up(reason: str, env: Mapping[str, str]) -> NoReturn:
    """Skip the test with the reason; where a skip would go unread, fail."""
    if env.get("CI", "").lower() in {"true", "1"}:
        pytest.fail(reason)
    pytest.skip(reason)


def install() -> None:
    """Install what the lock file names, unless that was done; skip where it cannot be."""
    with LOCK.open("rb") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # two processes of one test run would remove each other's files
        _install(hashlib.sha256(lock.read()).hexdigest())


def _install(wanted: str) -> None:
    if STAMP.exists() and STAMP.read_text() == wanted:
        return
    finished = run(["npm", "ci"])
    if finished.returncode:
        give_up(f"npm ci failed: {finished.stderr[-2000:]}", os.environ)
    STAMP.write_text(wanted)


def run(command: list[str], folder: Path = FOLDER, **env: str) -> Finished:
    """Run a command to its end, whatever comes of it."""
    quiet = {"REDOCLY_TELEMETRY": "off", "REDOCLY_SUPPRESS_UPDATE_NOTICE": "true", "NO_COLOR": "1"}
    path = os.pathsep.join([str(NODE), os.environ.get("PATH", os.defpath)])
    return subprocess.run(  # noqa: S603 - commands of these tests alone
        command,
        cwd=folder,
        env=os.environ | quiet | {"PATH": path} | env,
        capture_output=True,
        text=True,
        timeout=SECONDS,
        check=False,
    )


def tool(name: str, *arguments: str | Path, folder: Path = FOLDER) -> Finished:
    """Run a tool of the lock file."""
    return run([str(INSTALLED / ".bin" / name), *map(str, arguments)], folder)
