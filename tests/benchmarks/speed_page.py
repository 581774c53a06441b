"""The parts of ``service/docs/speed.md`` that are measured: a table for each benchmark, and where the time goes."""

from datetime import date
from pathlib import Path
from typing import Final

from tests.benchmarks.figures import Outcome, rows
from tests.benchmarks.learning_page import with_section
from tests.benchmarks.machine import described

PAGE: Final = Path(__file__).parents[2] / "service/docs/speed.md"


def renew(name: str, outcome: Outcome, day: date) -> None:
    """Write what a benchmark found into its section, and on which machine."""
    page = with_section(PAGE.read_text(encoding="utf-8"), name, told(outcome))
    PAGE.write_text(with_section(page, "machine", described(day)), encoding="utf-8")


def told(outcome: Outcome) -> str:
    """An outcome as the page has it."""
    lines = [*rows(outcome.figures)]
    if outcome.profile:
        lines += ["", "Where the time goes:", "", "```text", *outcome.profile, "```"]
    return "\n".join(lines)
