"""What the pages of documentation tell a reader to type is typed, from the top of a page to its end, and works."""

import os
import re
import signal
import subprocess
import sys
from contextlib import suppress
from pathlib import Path

import pytest

from tests.command_line import environment, free_port

DOCS = Path(__file__).parents[2] / "service/docs"
BLOCK = re.compile(r"^```(bash|text)\n(.*?)^```$", flags=re.MULTILINE | re.DOTALL)
TYPED = sorted(page.name for page in DOCS.glob("*.md") if "```bash" in page.read_text("utf-8"))
PORT = re.compile(r"\b800\d\b")
SECONDS = 120


def free_ports(text: str) -> str:
    """The text with ports of this machine that are free in the place of those it names."""
    free = {port: str(free_port()) for port in {*PORT.findall(text)}}
    return PORT.sub(lambda found: free[found.group()], text)


@pytest.mark.parametrize("name", TYPED)
def test_what_a_page_says_to_type_works_and_shows_what_it_says(name: str, tmp_path: Path) -> None:
    page = BLOCK.findall((DOCS / name).read_text("utf-8"))
    typed = free_ports("".join(block for kind, block in page if kind == "bash"))
    programs = tmp_path / ".venv/bin"
    programs.mkdir(parents=True)
    (programs / "cotterline").write_text(f'#!/bin/sh\nexec "{sys.executable}" -P -m cotterline.cli "$@"\n')
    (programs / "cotterline").chmod(0o755)
    own = environment(TMPDIR=str(tmp_path))
    script = "set -euo pipefail\n" + typed
    with (tmp_path / "shown").open("wb") as written:
        reader = subprocess.Popen(  # noqa: S603 - the page's own words, as a reader would type them
            ("/bin/bash", "-c", script),
            cwd=tmp_path,
            env={**own, "PATH": os.pathsep.join((str(programs), own["PATH"]))},
            stdout=written,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
    try:
        status = reader.wait(SECONDS)
    finally:
        with suppress(ProcessLookupError):  # it left nothing in the background
            os.killpg(reader.pid, signal.SIGTERM)
    shown = (tmp_path / "shown").read_text("utf-8")
    assert status == 0, shown
    for kind, block in page:
        assert kind == "bash" or block in shown, shown


def test_the_guide_for_partners_is_among_them() -> None:
    assert {"partner-guide.md", "operate.md"} <= {*TYPED}
