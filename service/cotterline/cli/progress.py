"""How far a file has been read, shown on a terminal once it is plain that this takes a while."""

import os
import stat
from types import TracebackType
from typing import BinaryIO, Final, Self

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

MANY: Final = 20
"""Bicycles before the bar appears."""


class ReadingProgress:
    """A bar on ``console`` while a file is read; nothing at all where the console is no terminal."""

    def __init__(self, file: BinaryIO, console: Console, *, wanted: bool) -> None:
        self._file = file
        self._size = _size(file)
        self._count = 0
        # Redirected output would reach the bar's console instead of the file or pipe it is meant for.
        columns = (TextColumn("{task.fields[count]} bicycles"), BarColumn(), TimeRemainingColumn())
        self._bar = Progress(
            *columns,
            console=console,
            transient=True,
            redirect_stdout=False,
            redirect_stderr=False,
            disable=not (wanted and console.is_terminal),
        )
        self._task = self._bar.add_task("", total=self._size, count=0)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._bar.stop()

    def one_done(self) -> None:
        """Count one bicycle."""
        self._count += 1
        if self._count == MANY:
            self._bar.start()
        if self._count >= MANY:
            read = None if self._size is None else self._file.tell()
            self._bar.update(self._task, completed=read, count=self._count)


def _size(file: BinaryIO) -> int | None:
    """Bytes of a plain file; None of a pipe, whose end nobody knows."""
    about = os.fstat(file.fileno())
    return about.st_size if stat.S_ISREG(about.st_mode) else None
