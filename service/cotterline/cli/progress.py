"""How far a file has been read or a run has come, shown on a terminal once it is plain that this takes a while."""

import os
import stat
from types import TracebackType
from typing import BinaryIO, Final, Self

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from cotterline.cli.remote_run import RunFigures

MANY: Final = 20
"""Bicycles before the bar appears."""


class ReadingProgress:
    """A bar on ``console`` while a file is read; nothing at all where the console is no terminal."""

    def __init__(self, file: BinaryIO, console: Console, *, wanted: bool) -> None:
        self._file = file
        self._size = _size(file)
        self._count = 0
        self._bar = _bar("{task.fields[count]} bicycles", console, wanted=wanted)
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


class RunProgress:
    """A bar on ``console`` while a service elsewhere is sent a file and works it; nothing where it is no terminal."""

    def __init__(self, file: BinaryIO, console: Console, *, wanted: bool) -> None:
        self._size = _size(file)
        self._bar = _bar("{task.description}", console, wanted=wanted)
        self._task = self._bar.add_task("sending", total=self._size)

    def __enter__(self) -> Self:
        self._bar.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._bar.stop()

    def show(self, figures: RunFigures) -> None:
        """Show how far the run is."""
        done, sent = figures.quoted + figures.refused, figures.bicycles
        if figures.state == "receiving":
            self._bar.update(self._task, description=f"{sent} sent", completed=figures.received_bytes)
        else:
            words = f"{done} of {sent} bicycles" + (", paused" if figures.state == "paused" else "")
            self._bar.update(self._task, description=words, total=sent, completed=done)


def _bar(words: str, console: Console, *, wanted: bool) -> Progress:
    return Progress(
        TextColumn(words),
        BarColumn(),
        TimeRemainingColumn(),
        console=console,
        transient=True,
        # Redirected output would reach the bar's console instead of the file or pipe it is meant for.
        redirect_stdout=False,
        redirect_stderr=False,
        disable=not (wanted and console.is_terminal),
    )


def _size(file: BinaryIO) -> int | None:
    """Bytes of a plain file; None of a pipe, whose end nobody knows."""
    about = os.fstat(file.fileno())
    return about.st_size if stat.S_ISREG(about.st_mode) else None
