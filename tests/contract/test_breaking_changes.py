"""A change of the API document that would break a client of the last released one is found; any other passes."""

import copy
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest

from cotterline.main import openapi_document
from tests.contract import node

pytestmark = pytest.mark.xdist_group("contract")

Document = dict[str, Any]
Change = Callable[[Document], object]
CHECK = str(node.FOLDER / "breaking-changes")


def _members(document: Document, schema: str) -> dict[str, Any]:
    members: dict[str, Any] = document["components"]["schemas"][schema]["properties"]
    return members


def _required(document: Document, schema: str) -> list[str]:
    required: list[str] = document["components"]["schemas"][schema]["required"]
    return required


def _limit(document: Document) -> dict[str, Any]:
    """The parameter that says how long a page of quotes may be."""
    parameters: list[dict[str, Any]] = document["paths"]["/v1/quotes"]["get"]["parameters"]
    return next(parameter for parameter in parameters if parameter["name"] == "limit")


def _drop_a_required_member(document: Document) -> None:
    del _members(document, "QuoteResult")["summary"]
    _required(document, "QuoteResult").remove("summary")


def _need_a_new_member(document: Document) -> None:
    _members(document, "QuoteRequest")["extra"] = {"type": "string"}
    _required(document, "QuoteRequest").append("extra")


BREAKING: dict[str, Change] = {
    "a path is gone": lambda document: document["paths"].pop("/v1/quotes/{quote_id}"),
    "an operation is gone": lambda document: document["paths"]["/v1/quotes"].pop("get"),
    "an operation has another id": lambda document: document["paths"]["/v1/quotes"]["get"].update(operationId="find"),
    "a member of an answer is gone": _drop_a_required_member,
    "an optional member of an answer is gone": lambda document: _members(document, "QuoteResult").pop("parts"),
    "an answer may lack a member": lambda document: _required(document, "QuoteResult").remove("summary"),
    "a member of a request is gone": lambda document: _members(document, "QuoteRequest").pop("reference"),
    "a request needs a member": lambda document: _required(document, "QuoteRequest").append("reference"),
    "a request needs a new member": _need_a_new_member,
    "a text may be less long": lambda document: _members(document, "QuoteRequest")["reference"].update(maxLength=20),
    "a number is a text": lambda document: _members(document, "Reading").update(value={"type": "string"}),
    "a word is no longer taken": lambda document: document["components"]["schemas"]["Tool"]["enum"].remove("gauge"),
    "a parameter is needed": lambda document: _limit(document).update(required=True),
}

HARMLESS: dict[str, Change] = {
    "nothing changed": lambda _: None,
    "a path is new": lambda document: document["paths"].update(
        {"/v1/more": {"get": document["paths"]["/health/live"]["get"] | {"operationId": "readMore"}}}
    ),
    "an answer has one more member": lambda document: _members(document, "QuoteResult").update(
        extra={"type": "string"}
    ),
    "a request may have one more member": lambda document: _members(document, "QuoteRequest").update(
        extra={"type": "string"}
    ),
    "a parameter may be greater": lambda document: _limit(document)["schema"].update(maximum=300),
    "other words": lambda document: document["components"]["schemas"]["Quote"].update(description="In other words."),
}


def _check(folder: Path, change: Change) -> node.Finished:
    base, revision = folder / "base.json", folder / "revision.json"
    base.write_bytes(openapi_document())
    document = copy.deepcopy(msgspec.json.decode(openapi_document()))
    change(document)
    revision.write_bytes(msgspec.json.encode(document))
    return node.run([CHECK, str(base), str(revision)])


@pytest.mark.parametrize("name", BREAKING)
def test_a_change_that_breaks_a_client_is_found(tmp_path: Path, name: str) -> None:
    finished = _check(tmp_path, BREAKING[name])
    assert (finished.returncode, "major" in finished.stdout) == (1, True), finished.stdout + finished.stderr


@pytest.mark.parametrize("name", HARMLESS)
def test_a_change_that_breaks_nobody_passes(tmp_path: Path, name: str) -> None:
    finished = _check(tmp_path, HARMLESS[name])
    assert finished.returncode == 0, finished.stdout + finished.stderr


def test_the_document_breaks_no_client_of_the_last_released_one() -> None:
    finished = node.run([CHECK])
    assert finished.returncode == 0, finished.stdout + finished.stderr


def test_where_nothing_was_released_the_check_says_so(tmp_path: Path) -> None:
    finished = node.run([CHECK, str(tmp_path / "none.json")])
    assert (finished.returncode, finished.stdout) == (
        0,
        "No API document has been released yet: nothing can be broken.\n",
    )
