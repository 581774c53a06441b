"""The pages about the API tell of every call and every schema of the document, and of each all that it says."""

import copy
import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from lxml import html

from mkdocs_api import pages

pytestmark = pytest.mark.xdist_group("site")  # which is built once

DOCUMENT = json.loads((Path(__file__).parents[2] / "openapi/openapi.json").read_text("utf-8"))
CALLS = [
    (call["tags"][0], f"{method.upper()} {path}" if part == "paths" else path, call)
    for part in ("paths", "webhooks")
    for path, calls in DOCUMENT[part].items()
    for method, call in calls.items()
]


@pytest.fixture(scope="session")
def told(site: Path) -> Mapping[str, html.HtmlElement]:
    return {page.stem: html.fromstring(page.read_bytes()) for page in (site / "api").glob("*.html")}


def section(heading: html.HtmlElement) -> Iterator[html.HtmlElement]:
    """What stands below a heading, up to the next."""
    for element in heading.itersiblings():
        if element.tag in {"h2", "h3"}:
            return
        yield element


def words(elements: Iterator[html.HtmlElement]) -> str:
    return " ".join(" ".join(element.text_content() for element in elements).split())


@pytest.mark.parametrize(("tag", "name", "call"), CALLS, ids=[name for _, name, _ in CALLS])
def test_a_call_is_told_in_full(
    told: Mapping[str, html.HtmlElement], tag: str, name: str, call: dict[str, Any]
) -> None:
    headings = [each for each in told[tag].iter("h2") if each.text_content() == call["summary"]]
    found = [text for each in headings if name in (text := words(section(each)))]
    assert len(found) == 1
    (text,) = found
    assert not [each["name"] for each in call.get("parameters", ()) if each["name"] not in text]
    assert not [kind for kind in call.get("requestBody", {}).get("content", ()) if f"Takes {kind}" not in text]
    assert not [status for status in call["responses"] if status not in text]
    assert not [scope for need in call["security"] for scope in need["key"] if f"the scope {scope}." not in text]


def test_every_schema_is_told_once_with_all_its_members(told: Mapping[str, html.HtmlElement]) -> None:
    headings = [heading for page in told.values() for heading in page.iter("h3")]
    by_name = {heading.text_content(): heading for heading in headings}
    assert len(headings) == len(by_name)
    assert by_name.keys() == DOCUMENT["components"]["schemas"].keys()
    for name, schema in DOCUMENT["components"]["schemas"].items():
        rows = [row for element in section(by_name[name]) for row in element.iter("tr")]
        assert [row[0].text_content() for row in rows[1:]] == [*schema.get("properties", ())], name


def test_every_refusal_of_a_call_leads_to_its_problem(told: Mapping[str, html.HtmlElement]) -> None:
    stored = DOCUMENT["components"]["responses"]["Conflict"]["content"]["application/problem+json"]["examples"]
    links = {link.get("href") for link in told["quotes"].iter("a")}
    assert {f"../problems.html#{code}" for code in stored} <= links


def test_a_member_is_told_with_its_bounds_and_what_holds_where_it_is_left_out(
    told: Mapping[str, html.HtmlElement],
) -> None:
    rows = {
        (heading.text_content(), row[0].text_content()): [cell.text_content() for cell in row[1:]]
        for page in told.values()
        for heading in page.iter("h3")
        for element in section(heading)
        for row in element.iter("tr")
    }
    assert rows["Reading", "value"] == ["number, -1000 to 1000", "What was read, in unit."]
    assert rows["Reading", "tool"][0] == "Tool"
    assert rows["Reading", "tool"][1].startswith('Unless given "ruler". What it was read with')
    assert rows["Reading", "plus_minus"][0] == "number, more than 0, at most 100"
    assert rows["PitchGauge", "kind"][0] == "pitch_gauge"
    assert rows["EventList", "events"][0] == "list of Event"
    pattern = "string, length at most 18, ^-?(0|[1-9][0-9]{0,11})(\\.[0-9]{1,4})?(?![\\s\\S])"
    assert rows["Money", "amount"][0] == pattern


def test_what_is_deprecated_is_marked() -> None:
    document = copy.deepcopy(DOCUMENT)
    call = document["paths"]["/v1/quotes"]["get"]
    call["deprecated"] = call["parameters"][0]["deprecated"] = True
    document["components"]["schemas"]["Reading"]["properties"]["tool"]["deprecated"] = True
    before, after = ("\n".join(pages(each).values()).split("\n") for each in (DOCUMENT, document))
    changed = [line for line in after if line not in before]
    assert changed == [line for line in after if "**Deprecated.**" in line]
    assert len(changed) == len(("in the list of calls", "the call", "the parameter", "the member"))
