"""The page about events lists every type and its members: ``python -m tests.docs.test_events_page`` renews it."""

import json
from collections.abc import Iterator, Mapping
from datetime import timedelta
from pathlib import Path
from typing import Any

from cotterline.bench.events import EVENT_TYPES, MEANINGS
from cotterline.delivery.schedule import FAILING, JITTER, SCHEDULE
from tests.benchmarks.learning_page import with_section

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "service/docs/events.md"
DOCUMENT = json.loads((ROOT / "openapi/openapi.json").read_text(encoding="utf-8"))
Schema = Mapping[str, Any]


def schema(ref: str) -> Schema:
    """What a reference of the API document leads to."""
    found: Schema = DOCUMENT["components"]["schemas"][ref.rpartition("/")[2]]
    return found


EVENTS: Mapping[str, Schema] = {
    event: schema(DOCUMENT["webhooks"][event]["post"]["requestBody"]["content"]["application/json"]["schema"]["$ref"])
    for event in EVENT_TYPES
}
DATA: Mapping[str, str] = {
    event: told["properties"]["data"]["$ref"].rpartition("/")[2] for event, told in EVENTS.items()
}


def members(of: Schema, *, but: str = "") -> Iterator[str]:
    yield from ("| member | what it says |", "| --- | --- |")
    for name, each in of["properties"].items():
        if name != but:
            absent = "" if name in of["required"] else "May be absent. "
            yield f"| `{name}` | {absent}{each['description']} |"


def envelope() -> Iterator[str]:
    yield from members(EVENTS[EVENT_TYPES[0]], but="data")
    yield "| `data` | What it tells of, as below. |"


def types() -> Iterator[str]:
    yield from ("| type | when | `data` |", "| --- | --- | --- |")
    yield from (f"| `{event}` | {MEANINGS[event]} | [{DATA[event]}](#{DATA[event].lower()}) |" for event in EVENT_TYPES)


def data() -> Iterator[str]:
    for name in dict.fromkeys(DATA.values()):
        told = schema(name)
        yield from (f"### {name}", "", told["description"], "", *members(told), "")


def waits() -> Iterator[str]:
    yield from ("| try | after the one before |", "| --- | --- |")
    yield from (f"| {number} | {words(wait)} |" for number, wait in enumerate(SCHEDULE, 1))


def words(wait: timedelta) -> str:
    for name, unit in (("hours", 3600), ("minutes", 60), ("seconds", 1)):
        if wait.total_seconds() >= unit:
            return f"{wait.total_seconds() / unit:g} {name}"
    return "at once"


def renewed(page: str) -> str:
    for name, made in (("envelope", envelope()), ("types", types()), ("data", data()), ("waits", waits())):
        page = with_section(page, name, "\n".join(made).strip())
    return page


def test_the_page_lists_every_type_with_its_members() -> None:
    page = PAGE.read_text(encoding="utf-8")
    assert page == renewed(page)


def test_what_the_page_says_in_words_of_trying_again_is_so() -> None:
    page = PAGE.read_text(encoding="utf-8")
    assert (FAILING, JITTER, len(SCHEDULE)) == (timedelta(days=5), 0.2, 10)
    assert "fails for five days" in page
    assert "tried ten times" in page
    assert "a fifth longer or shorter" in page


if __name__ == "__main__":
    PAGE.write_text(renewed(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
