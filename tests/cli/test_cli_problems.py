"""The page of the documentation about problem types is what the command writes, and has a part for each of them."""

import re
from pathlib import Path

from cotterline.api.problems import PROBLEMS
from tests.command_line import run

PAGE = Path(__file__).parents[2] / "service" / "docs" / "problems.md"


def test_the_page_is_what_the_command_writes(tmp_path: Path) -> None:
    words = "run: cotterline problems > service/docs/problems.md"
    assert run("problems", folder=tmp_path).stdout == PAGE.read_text("utf-8"), words


def test_the_page_has_a_part_for_every_type_and_leads_to_it() -> None:
    text = PAGE.read_text("utf-8")
    assert re.findall(r"^## (.*)$", text, re.MULTILINE) == [*PROBLEMS]
    assert re.findall(r"\]\(#([a-z-]+)\)", text) == [*PROBLEMS]
