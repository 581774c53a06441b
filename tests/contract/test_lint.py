"""The API document passes every rule of two linters, but for those that say in their files why they are off."""

import copy
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest

from cotterline.main import openapi_document
from tests.contract import node

pytestmark = pytest.mark.xdist_group("contract")

DOCUMENT = Path(__file__).parents[2] / "openapi" / "openapi.json"
RULES = ("spectral.yaml", "redocly.yaml")
Change = Callable[[dict[str, Any]], object]


def spectral(document: Path) -> node.Finished:
    return node.tool(
        "spectral", "lint", "--fail-severity", "hint", "--ruleset", node.FOLDER / "spectral.yaml", document
    )


def redocly(document: Path) -> node.Finished:
    return node.tool("redocly", "lint", "--config", node.FOLDER / "redocly.yaml", document)


Linter = Callable[[Path], node.Finished]
LINTERS: list[Linter] = [spectral, redocly]


@pytest.mark.parametrize("lint", LINTERS)
def test_the_document_is_clean(lint: Linter) -> None:
    finished = lint(DOCUMENT)
    assert finished.returncode == 0, finished.stdout + finished.stderr


def _no_operation_id(document: dict[str, Any]) -> None:
    del document["paths"]["/v1/quotes"]["post"]["operationId"]


def _reference_to_nothing(document: dict[str, Any]) -> None:
    document["components"]["schemas"]["Quote"]["properties"]["result"]["$ref"] = "#/components/schemas/Nothing"


def _example_that_does_not_fit(document: dict[str, Any]) -> None:
    content = document["paths"]["/v1/quotes"]["post"]["requestBody"]["content"]["application/json"]
    content["examples"]["whole-job"]["value"]["evidence"] = "none"


@pytest.mark.parametrize("change", [_no_operation_id, _reference_to_nothing, _example_that_does_not_fit])
@pytest.mark.parametrize("lint", LINTERS)
def test_a_document_with_a_fault_is_not(tmp_path: Path, lint: Linter, change: Change) -> None:
    document = copy.deepcopy(msgspec.json.decode(openapi_document()))
    change(document)
    faulty = tmp_path / "openapi.json"
    faulty.write_bytes(msgspec.json.encode(document))
    assert lint(faulty).returncode == 1


@pytest.mark.parametrize("name", RULES)
def test_a_rule_that_is_off_says_why(name: str) -> None:
    """A comment stands above it, or above the one it shares its reason with."""
    lines = (node.FOLDER / name).read_text().splitlines()
    switched = [number for number, line in enumerate(lines) if re.fullmatch(r'  [\w-]+: "off"', line)]
    assert switched
    for number in switched:
        above = lines[number - 1]
        assert above.startswith("  # ") or number - 1 in switched, lines[number]


def test_the_lock_names_no_place_to_fetch_from_and_a_hash_for_everything() -> None:
    packages = msgspec.json.decode(node.LOCK.read_bytes())["packages"]
    fetched = {name: package for name, package in packages.items() if name}
    assert len(fetched) > 100
    assert [name for name, package in fetched.items() if "resolved" in package] == []
    assert [name for name, package in fetched.items() if not package["integrity"].startswith("sha512-")] == []
