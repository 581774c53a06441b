"""The drawings in the documentation are what the command writes, and each is shown there."""

import re
from pathlib import Path

from tests.command_line import run

DOCS = Path(__file__).parents[2] / "service" / "docs"


def test_the_documentation_shows_what_the_command_writes(tmp_path: Path) -> None:
    done = run("drawings", str(tmp_path), folder=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    written = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    assert written == {path.name: path.read_bytes() for path in (DOCS / "drawings").iterdir()}
    page = (DOCS / "drawings.md").read_text()
    assert set(re.findall(r"\]\(drawings/([a-z-]+\.svg)\)", page)) == set(written)


def test_the_section_shows_the_spindle_that_missed_as_it_was_measured() -> None:
    shown = (DOCS / "drawings" / "cross-section.svg").read_text()
    assert "measured on 113 mm: 45.5" in shown


def test_a_folder_that_is_not_there_is_refused(tmp_path: Path) -> None:
    refused = run("drawings", "nowhere", folder=tmp_path)
    assert refused.returncode == 2
    assert "nowhere" in refused.stderr
