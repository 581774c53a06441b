"""The page about threats names tests that there are, at least one beside each threat."""

import ast
import re
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PAGE = (ROOT / "service" / "docs" / "threats.md").read_text()
NAMED = sorted(set(re.findall(r"`(tests/[\w/]+\.py)::(\w+)`", PAGE)))
STRIDE = [
    "Spoofing",
    "Tampering",
    "Repudiation",
    "Information disclosure",
    "Denial of service",
    "Elevation of privilege",
]
"""Kohnfelder and Garg, "The threats to our products", 1999."""


@cache
def named_in(path: str) -> set[str]:
    tree = ast.parse((ROOT / path).read_text())
    return {node.name for node in tree.body if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)}


@pytest.mark.parametrize(("path", "name"), NAMED, ids=lambda part: part[-60:])
def test_a_test_that_is_named_is_there(path: str, name: str) -> None:
    assert name in named_in(path)


def test_every_threat_is_under_its_heading_with_a_test_beside_it() -> None:
    sections = re.findall(r"^## (.+?)\n(.*?)(?=^## |\Z)", PAGE, re.MULTILINE | re.DOTALL)
    told = {title.partition(":")[0]: text for title, text in sections if ":" in title}
    assert [*told] == STRIDE
    for text in told.values():
        rows = [
            line for line in text.splitlines() if line.startswith("| ") and not line.startswith(("| who |", "| ---"))
        ]
        assert rows
        assert [row for row in rows if "::test_" not in row] == []
