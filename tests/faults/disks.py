"""A disk that can be filled and emptied in a moment: a file system in memory that is as large as it is told to be."""

import os
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final, NamedTuple

from tests.faults.network import MissingError

ROOM: Final = "4g"
"""Nobody fills it by himself; memory is taken only by what is on it."""

TRIES: Final = 100


class Disk(NamedTuple):
    """Where it is mounted."""

    folder: Path

    def fill(self) -> None:
        """Leave no room at all: it becomes as large as what is on it.

        Raises:
            RuntimeError: it grows all the while.
        """
        for _ in range(TRIES):
            found = os.statvfs(self.folder)
            size = (found.f_blocks - found.f_bfree) * found.f_frsize
            with suppress(subprocess.CalledProcessError):  # something was written meanwhile
                _mount("-o", f"remount,size={size}", str(self.folder))
                return
        raise RuntimeError("what writes to the disk is faster than what fills it")

    def empty(self) -> None:
        """Make room again."""
        _mount("-o", f"remount,size={ROOM}", str(self.folder))


@contextmanager
def disk() -> Iterator[Disk]:
    """Mount one until the block ends.

    Raises:
        MissingError: where nothing may be mounted.
    """
    if os.geteuid() != 0:
        raise MissingError("run as root: a disk is mounted")
    folder = tempfile.mkdtemp(prefix="cotterline-disk-")
    try:
        _mount("-t", "tmpfs", "-o", f"size={ROOM}", "tmpfs", folder)
    except subprocess.CalledProcessError as error:
        raise MissingError(f"no disk can be mounted here: {error.stderr.strip()}") from error
    try:
        yield Disk(Path(folder))
    finally:
        subprocess.run(["umount", folder], check=True)  # noqa: S603, S607 - made above
        Path(folder).rmdir()


def _mount(*arguments: str) -> None:
    subprocess.run(["mount", *arguments], check=True, capture_output=True, text=True)  # noqa: S603, S607 - all written here
