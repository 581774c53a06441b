"""Every target holds for what its search begins from, and a search finds what there is to find."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.fuzz.seeds import seeds
from tests.fuzz.targets import TARGETS, held

CUTS = 40
"""Places at which each seed is cut off, at most."""

BRITTLE = """
import sys, atheris
from pathlib import Path
with atheris.instrument_imports(include=["cotterline"]):
    from tests.fuzz.search import begin, end

@atheris.instrument_func
def brittle(data: bytes) -> None:
    if data[:1] == b"k" and data[1:2] == b"e" and data[2:3] == b"y":
        raise KeyError(data)

found = end(begin("brittle", brittle, [b"abc"], Path(sys.argv[1]), 60))
print(found.broken_by.read_bytes() if found.broken_by else "held")
"""


@pytest.mark.parametrize("name", TARGETS)
def test_a_target_holds_for_every_seed_and_for_its_beginnings(name: str) -> None:
    target = held(TARGETS[name])
    found = seeds(name)
    assert found
    for seed in found:
        for end in range(0, len(seed) + 1, max(len(seed) // CUTS, 1)):
            target(seed[:end])
        target(seed)


def test_an_error_that_is_not_our_own_comes_out() -> None:
    with pytest.raises(KeyError):
        held(_brittle)(b"key")


def _brittle(data: bytes) -> None:
    raise KeyError(data)


def test_a_search_finds_what_no_seed_shows(tmp_path: Path) -> None:
    done = subprocess.run(  # noqa: S603 - our own words
        [sys.executable, "-c", BRITTLE, str(tmp_path)], capture_output=True, text=True, check=True
    )
    assert re.match(r"b'key", done.stdout.splitlines()[-1])
