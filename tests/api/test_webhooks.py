"""What the API document says is posted: each event with its own schema and example, orders, and what comes back."""

from typing import Any

import jsonschema
import msgspec
import pytest

from cotterline.api.event_examples import STATEMENTS
from cotterline.api.told_events import AnyEvent
from cotterline.bench.events import EVENT_TYPES
from cotterline.bench.orders import OrderChangeDocument, OrderDocument
from cotterline.bench.replies import Reply, Statement
from cotterline.main import openapi_document

DOCUMENT: dict[str, Any] = msgspec.json.decode(openapi_document())
WEBHOOKS: dict[str, Any] = DOCUMENT["webhooks"]
POSTS = ["order", "order-change"]


def content(name: str) -> dict[str, Any]:
    found: dict[str, Any] = WEBHOOKS[name]["post"]["requestBody"]["content"]["application/json"]
    return found


def check(schema: dict[str, Any], value: object) -> None:
    whole = {"components": DOCUMENT["components"], **schema}
    jsonschema.Draft202012Validator(whole, format_checker=jsonschema.FormatChecker()).validate(value)


def answer(name: str) -> dict[str, Any]:
    found: dict[str, Any] = WEBHOOKS[name]["post"]["responses"]["2XX"]
    return found


def test_there_is_a_webhook_for_every_type_of_event_and_every_post_to_a_supplier() -> None:
    assert [*WEBHOOKS] == [*EVENT_TYPES, *POSTS]


@pytest.mark.parametrize("event", EVENT_TYPES)
def test_the_example_of_an_event_fits_its_own_schema_and_no_other(event: str) -> None:
    (example,) = content(event)["examples"].values()
    check(content(event)["schema"], example["value"])
    assert msgspec.json.encode(msgspec.json.decode(msgspec.json.encode(example["value"]), type=AnyEvent))
    other = next(each for each in EVENT_TYPES if each != event)
    with pytest.raises(jsonschema.ValidationError):
        check(content(other)["schema"], example["value"])


@pytest.mark.parametrize(("name", "kind"), [("order", OrderDocument), ("order-change", OrderChangeDocument)])
def test_the_example_of_a_post_is_a_document_that_comes_back_as_it_was(name: str, kind: type[msgspec.Struct]) -> None:
    (example,) = content(name)["examples"].values()
    check(content(name)["schema"], example["value"])
    decoded = msgspec.json.decode(msgspec.json.encode(example["value"]), type=kind, strict=True)
    assert msgspec.json.decode(msgspec.json.encode(decoded)) == example["value"]


@pytest.mark.parametrize("name", POSTS)
def test_every_thing_a_supplier_can_say_has_an_example_of_an_answer(name: str) -> None:
    tags = {kind.__struct_config__.tag for kind in Statement.__args__}
    shown = answer(name)["content"]["application/json"]
    assert {example["value"]["says"][0]["says"] for example in shown["examples"].values()} == tags
    for example in shown["examples"].values():
        check(shown["schema"], example["value"])
        msgspec.json.decode(msgspec.json.encode(example["value"]), type=Reply, strict=True)
    assert len(STATEMENTS) == len(tags) + 1  # one for what is accepted in part


@pytest.mark.parametrize("name", POSTS)
def test_a_post_to_a_supplier_leads_to_where_replies_go(name: str) -> None:
    (link,) = answer(name)["links"].values()
    (example,) = content(name)["examples"].values()
    operations = {each["operationId"]: path for path, item in DOCUMENT["paths"].items() for each in item.values()}
    (parameter, place) = next(iter(link["parameters"].items()))
    order_id = example["value"][place.rpartition("/")[2]]
    address = operations[link["operationId"]].replace(f"{{{parameter}}}", order_id)
    assert example["value"]["reply_to"].endswith(address)


def test_every_operation_of_the_document_has_a_name_of_its_own() -> None:
    hooks = [item["post"] for item in WEBHOOKS.values()]
    paths = [operation for item in DOCUMENT["paths"].values() for operation in item.values()]
    names = [operation["operationId"] for operation in (*hooks, *paths)]
    assert len(names) == len({*names})


def test_an_event_that_is_not_whole_is_told_from_one_that_is() -> None:
    (example,) = content("order.sent")["examples"].values()
    cut = {name: part for name, part in example["value"].items() if name != "position"}
    with pytest.raises(jsonschema.ValidationError):
        check(content("order.sent")["schema"], cut)
