"""What pages show of Python is run, and gives what stands beside it."""

import doctest
from pathlib import Path

import pytest

DOCS = Path(__file__).parents[2] / "service/docs"
SHOWN = sorted(page.name for page in DOCS.glob("*.md") if ">>>" in page.read_text("utf-8"))


@pytest.mark.parametrize("name", SHOWN)
def test_the_python_of_a_page_gives_what_it_says(name: str) -> None:
    failed, tried = doctest.testfile(str(DOCS / name), module_relative=False, encoding="utf-8")
    assert failed == 0
    assert tried > 0


def test_the_page_about_the_verdict_is_among_them() -> None:
    assert "verdict.md" in SHOWN
