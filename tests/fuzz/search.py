"""A search for bytes that break a target, led by which code they reach, in a process of its own."""

import os
import re
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Final, NamedTuple

import atheris

from tests.fuzz.targets import Target, held

SLOWEST: Final = 10
"""Seconds that a target may take for one input."""

_MEMORY_MB: Final = 1024
_LONGEST: Final = 4096
_TRIED: Final = re.compile(r"^stat::number_of_executed_units: +([0-9]+)", re.MULTILINE)
_REACHED: Final = re.compile(r" cov: ([0-9]+)")


class Hunt(NamedTuple):
    """One search under way.

    Attributes:
        name: of the target.
        folder: what it writes down, and what it found.
        pid: of its process.
    """

    name: str
    folder: Path
    pid: int


class Found(NamedTuple):
    """What came of a search.

    Attributes:
        name: of the target.
        tried: inputs.
        reached: branches that were reached.
        broken_by: where the input that broke the target lies.
        words: the end of what the search wrote, where something was found.
    """

    name: str
    tried: int
    reached: int
    broken_by: Path | None
    words: str


def begin(name: str, target: Target, seeds: Iterable[bytes], folder: Path, seconds: int) -> Hunt:
    """Search beside this process; the code that leads the search must be instrumented already.

    Args:
        name: of the target.
        target: what is handed bytes.
        seeds: what the search begins from.
        folder: for all of it; what lies there under ``words`` is the dictionary.
        seconds: how long.
    """
    corpus = folder / name
    corpus.mkdir()
    for number, seed in enumerate(seeds):
        (corpus / f"seed-{number}").write_bytes(seed)
    pid = os.fork()
    if pid:
        return Hunt(name, folder, pid)
    written = os.open(folder / f"{name}.log", os.O_WRONLY | os.O_CREAT)
    os.dup2(written, 1)
    os.dup2(written, 2)
    atheris.Setup([sys.argv[0], *_options(name, folder, seconds), str(corpus)], held(target))
    atheris.Fuzz()
    os._exit(0)


def _options(name: str, folder: Path, seconds: int) -> Sequence[str]:
    dictionary = folder / "words"
    return [
        f"-max_total_time={seconds}",
        f"-timeout={SLOWEST}",
        f"-rss_limit_mb={_MEMORY_MB}",
        f"-max_len={_LONGEST}",
        f"-artifact_prefix={folder / name}.",
        "-print_final_stats=1",
        *([f"-dict={dictionary}"] if dictionary.exists() else []),
    ]


def end(hunt: Hunt) -> Found:
    """Wait for a search and say what came of it."""
    _, status = os.waitpid(hunt.pid, 0)
    words = (hunt.folder / f"{hunt.name}.log").read_text(errors="replace")
    tried, reached = _TRIED.findall(words), _REACHED.findall(words)
    found = sorted(hunt.folder.glob(f"{hunt.name}.*-*"))
    if status and not found:
        raise RuntimeError(f"the search for {hunt.name} ended by itself:\n{words[-2000:]}")
    counts = int(tried[-1]) if tried else 0, int(reached[-1]) if reached else 0
    return Found(hunt.name, *counts, found[0] if found else None, words[-3000:] if found else "")


def dictionary(words: Iterable[str], path: Path) -> None:
    """Write words down as a search reads them."""
    path.write_text("".join(f'"{word}"\n' for word in sorted({*words}) if re.fullmatch(r"[\w.:-]+", word, re.ASCII)))
