"""The API document: valid, complete, held by a golden file, and its examples true."""

import re
from collections import Counter
from collections.abc import Collection, Iterator
from pathlib import Path
from typing import Any

import jsonschema
import msgspec
import pytest
from litestar.testing import TestClient
from schemathesis.specs.openapi.definitions import OPENAPI_31_VALIDATOR

from cotterline.api import examples
from cotterline.api.edge import Edge
from cotterline.api.named_schemas import NAMED
from cotterline.api.schemas import _WORDS
from cotterline.main import openapi_document
from cotterline.store.tenancy import Tenant
from tests.api import shown_events, shown_orders
from tests.api.resources import a_quote
from tests.api.shown_events import ShownEvents
from tests.api.shown_orders import Shown

GOLDEN = Path(__file__).parents[2] / "openapi" / "openapi.json"
DOCUMENT: dict[str, Any] = msgspec.json.decode(openapi_document())
SCHEMAS: dict[str, Any] = DOCUMENT["components"]["schemas"]
OPERATIONS = {
    operation["operationId"]: (method.upper(), path, operation)
    for path, item in DOCUMENT["paths"].items()
    for method, operation in item.items()
}
PER_CALL = {"id", "quote_id", "subject_id", "by", "created_at", "revised_at", "expires_at", "revoked_at", "at", "key"}
PER_CALL |= {
    "recorded_with",
    "order_id",
    "ordered_on",
    "reply_to",
    "received_at",
    "changed_at",
    "deliveries",
    "fit_report_id",
}
"""Members of an answer that differ from call to call."""

ISSUED = {"listQuoteTransitions", "listApprovals", "checkCeiling", "makeEstimateLink", "listEstimateLinks"}
"""Operations whose examples show a quote that was issued, at least."""

LINKS_PER_CALL = {
    "makeEstimateLink": {"url"},
    "readCustomerData": {"timestamp", "actor", "path"},
    "eraseCustomerData": {"erased_at"},
}
"""What the link alone opens, and the like: it differs in one operation alone."""


def _answer(operation: dict[str, Any]) -> dict[str, Any]:
    status, *_ = [status for status in operation["responses"] if status.startswith("2")]
    content: dict[str, Any] = operation["responses"][status]["content"]
    return content


def _media(body: dict[str, Any]) -> str:
    """The one media type of a request body; nothing where there is none."""
    return next(iter(body["content"]), "")


def _exchanges() -> Iterator[tuple[str, str]]:
    for name, (_, _, operation) in OPERATIONS.items():
        for example in _answer(operation).get("application/json", {}).get("examples", {}):
            yield name, example


def _validator(schema: dict[str, Any]) -> jsonschema.Draft202012Validator:
    whole = {"components": DOCUMENT["components"], **schema}
    return jsonschema.Draft202012Validator(whole, format_checker=jsonschema.FormatChecker())


def test_the_golden_file_is_what_the_service_gives() -> None:
    words = "run: python -m cotterline.api > openapi/openapi.json"
    assert GOLDEN.read_bytes() == openapi_document(), words


def test_the_document_is_valid_openapi_3_1() -> None:
    # The OpenAPI Initiative's own schema of OpenAPI 3.1 documents, as shipped with schemathesis.
    OPENAPI_31_VALIDATOR.validate(DOCUMENT)


def test_a_document_that_is_not_openapi_3_1_is_told_from_one_that_is() -> None:
    assert not OPENAPI_31_VALIDATOR.is_valid(DOCUMENT | {"paths": []})


@pytest.mark.parametrize("name", SCHEMAS)
def test_every_schema_is_valid_json_schema(name: str) -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMAS[name])


@pytest.mark.parametrize("name", SCHEMAS)
def test_every_schema_and_every_member_of_it_is_described(name: str) -> None:
    assert SCHEMAS[name]["description"].endswith(".")
    bare = [member for member, part in SCHEMAS[name].get("properties", {}).items() if not part.get("description")]
    assert bare == []


def test_a_request_takes_no_unknown_member_anywhere() -> None:
    bodies = [operation["requestBody"] for _, _, operation in OPERATIONS.values() if "requestBody" in operation]
    reached = set(_names([body["content"][_media(body)]["schema"] for body in bodies]))
    objects = {name: SCHEMAS[name] for name in sorted(reached) if SCHEMAS[name].get("type") == "object"}
    assert len(objects) > 10
    assert [name for name, schema in objects.items() if schema["additionalProperties"] is not False] == []


def _names(node: Any) -> Iterator[str]:  # noqa: ANN401 - any part of the document
    """The component schemas that ``node`` leads to."""
    if isinstance(node, dict):
        if "$ref" in node:
            name = node["$ref"].rpartition("/")[2]
            yield name
            yield from _names(SCHEMAS[name])
        for part in node.values():
            yield from _names(part)
    elif isinstance(node, list):
        for part in node:
            yield from _names(part)


def test_everything_in_a_request_is_bounded() -> None:
    """A number without a bound, a text or list without a length is taken to any size, on one database at least."""
    bodies = [operation["requestBody"] for _, _, operation in OPERATIONS.values() if "requestBody" in operation]
    reached = {name: SCHEMAS[name] for name in _names([body["content"] for body in bodies])}
    parameters = {
        f"{name}?{parameter['name']}": {**parameter["schema"], "name": parameter["name"]}
        for name, (_, _, operation) in OPERATIONS.items()
        for parameter in operation["parameters"]
    }
    assert len(reached) > 20
    assert [place for name, schema in (reached | parameters).items() for place in _unbounded(schema, name)] == []


def _unbounded(node: Any, place: str) -> Iterator[str]:  # noqa: ANN401 - any part of a schema
    """Where a value may be of any size, or a pattern lets a line end slip behind it."""
    if isinstance(node, list):
        for index, part in enumerate(node):
            yield from _unbounded(part, f"{place}/{index}")
    if not isinstance(node, dict):
        return
    limits = {
        "number": [{"minimum", "exclusiveMinimum"}, {"maximum", "exclusiveMaximum"}],
        "integer": [{"minimum", "exclusiveMinimum"}, {"maximum", "exclusiveMaximum"}],
        "string": [{"enum", "const", "maxLength", "pattern", "format"}],
        "array": [{"maxItems"}],
    }
    kind = node.get("type")
    wanted = limits.get(kind, []) if isinstance(kind, str) and "enum" not in node else []
    if not all(words & node.keys() for words in wanted):
        yield place
    if not node.get("pattern", "(?![\\s\\S])").endswith("(?![\\s\\S])"):
        yield f"{place}: {node['pattern']}"
    for name, part in node.items():
        if name not in {"default", "examples", "description", "discriminator"}:
            yield from _unbounded(part, f"{place}/{name}")


def test_what_stands_in_several_places_has_one_name_everywhere() -> None:
    """A client gets one type for it, not one for each member that holds it."""
    choices = [part for part in _parts(SCHEMAS) if isinstance(part.get("enum"), list) or "discriminator" in part]
    assert len(choices) > 30
    written = Counter(
        ("enum" in part, repr(sorted(part.get("enum") or part["discriminator"]["mapping"]))) for part in choices
    )
    assert [words for words, times in written.items() if times > 1] == []


def test_every_name_kept_for_a_shared_type_is_used() -> None:
    assert set(NAMED) - set(SCHEMAS) == set()


def test_no_object_has_a_member_called_as_itself() -> None:
    """A generated client would use one name for the object made and for the member read."""
    named = {name: schema.get("properties", {}) for name, schema in SCHEMAS.items()}
    assert [name for name, members in named.items() if re.sub(r"(?<!^)(?=[A-Z])", "_", name).lower() in members] == []


def _parts(node: Any) -> Iterator[dict[str, Any]]:  # noqa: ANN401 - any part of the document
    if isinstance(node, dict):
        yield node
    for part in node.values() if isinstance(node, dict) else node if isinstance(node, list) else ():
        yield from _parts(part)


@pytest.mark.parametrize("name", OPERATIONS)
def test_every_operation_says_what_it_does_and_how_it_fails(name: str) -> None:
    _, _, operation = OPERATIONS[name]
    assert operation["summary"]
    assert operation["description"].endswith(".")
    assert len(operation["tags"]) == 1
    statuses = set(operation["responses"])
    assert statuses >= {"400", "422", "500"}
    assert bool(operation["security"]) == ({"401", "403", "503"} <= statuses)
    assert ("requestBody" in operation) == ({"408", "413", "415"} <= statuses)
    for parameter in operation["parameters"]:
        assert parameter["description"]
        assert parameter["schema"].get("type"), "a parameter is never null"


def test_every_tag_is_explained_and_used() -> None:
    used = {tag for _, _, operation in OPERATIONS.values() for tag in operation["tags"]}
    assert used == {tag["name"] for tag in DOCUMENT["tags"]}


def test_every_word_kept_for_a_member_is_used() -> None:
    members = {
        (name, f"{schema}.{name}", part["description"])
        for schema, content in SCHEMAS.items()
        for name, part in content.get("properties", {}).items()
    }
    used = {key for *keys, words in members for key in keys if _WORDS.get(key) == words}
    assert set(_WORDS) - used == set()


def test_every_request_and_json_answer_has_an_example() -> None:
    without = []
    for name, (_, _, operation) in OPERATIONS.items():
        parts = [operation["requestBody"]] if "requestBody" in operation else []
        parts.append({"content": _answer(operation)})
        contents = [part["content"].get("application/json", {}) for part in parts]
        without += [name for content in contents if "$ref" in content.get("schema", {}) and not content["examples"]]
    assert without == []


@pytest.mark.parametrize(("name", "example"), [*_exchanges()])
def test_an_example_is_what_the_service_answers(
    client: TestClient[Edge], name: str, example: str, database_url: str, tenant: Tenant
) -> None:
    method, path, operation = OPERATIONS[name]
    ordered = Shown(client, database_url, tenant)
    path = _with_what_the_example_shows(client, name, path, ordered)
    path = ShownEvents(client, database_url, tenant).path(name, path)
    path = path.replace("{code}", "impossible-value").replace("{version}", "0")
    asked = operation.get("requestBody", {"content": {}})
    content = asked["content"].get(_media(asked), {})
    body = content["examples"][example]["value"] if content else None
    shown = _answer(operation)["application/json"]
    headers = {"accept": "application/json", "if-match": "*"} | ({"content-type": _media(asked)} if content else {})
    sent = msgspec.json.encode(body) if content else b""
    headers |= ordered.signed(sent) if name == "callBack" else {}
    response = client.request(method, path, content=sent, headers=headers)
    assert response.is_success
    besides = (shown_orders.PER_CALL | shown_events.PER_CALL | LINKS_PER_CALL).get(name, set())
    assert _steady(response.json(), besides) == _steady(shown["examples"][example]["value"], besides)
    _validator(shown["schema"]).validate(response.json())
    if content:
        _validator(content["schema"]).validate(body)


def _with_what_the_example_shows(client: TestClient[Edge], name: str, path: str, ordered: Shown) -> str:
    """Have what the document's examples show: one quote, and the key that every test begins with."""
    if name == "listQuotes" or "{quote_id}" in path:
        quote = a_quote(client)
        path = path.replace("{quote_id}", quote).replace("{number}", "1")
        ordered.quote(quote, name)
        _do_with_the_quote(client, name, f"/v1/quotes/{quote}")
    if name == "listLabourTimes":
        client.post("/v1/labour-times", json={"operation": "fixed_cup", "minutes": 14.5})
    if "{supplier}" in path or name == "listPriceLists":
        content = examples.read("price_list")
        headers = {"content-type": "application/json", "if-none-match": "*"}
        client.put("/v1/price-lists/north depot", content=content, headers=headers)
    if name == "listSuppliers" or path.startswith("/v1/suppliers/"):
        ordered.supplier(name)
    if name == "listOrders" or "{order_id}" in path:
        path = path.replace("{order_id}", ordered.order(name))
    if name == "listRecheckVisits":
        ordered.quote(a_quote(client), name)
    if "{fit_report_id}" in path:
        path = path.replace("{fit_report_id}", ordered.fit_report(name))
    if name == "listQuoteRuns" or "{quote_run_id}" in path:
        asked = {"bicycles_form": "csv", "answers_form": "json_lines", "reference": "spring 2024"}
        path = path.replace("{quote_run_id}", client.post("/v1/quote-runs", json=asked).json()["id"])
    path = path.replace("{supplier}", "north depot")
    return path.replace("{key_id}", client.get("/v1/keys").json()["keys"][0]["id"])


def _do_with_the_quote(client: TestClient[Edge], name: str, path: str) -> None:
    """Bring a quote to where an operation's example shows it."""
    acts = f"{path}/transitions"
    if name in ISSUED:
        note = {"note": "by letter"} if name == "listQuoteTransitions" else {}
        client.post(acts, json={"action": "issue", **note}, headers={"if-match": "*"})
    if name == "listEstimateLinks":
        client.post(f"{path}/estimate-links", json={"language": "de", "valid_days": 14})
    if name in {"listApprovals", "checkCeiling"}:
        approval = {"ceiling": {"amount": "140.00", "currency": "EUR"}, "by": "Ada Fell", "how": "telephone"}
        client.post(acts, json={"action": "approve", "approval": approval}, headers={"if-match": "*"})


def _steady(node: Any, besides: Collection[str] = ()) -> Any:  # noqa: ANN401 - any JSON value
    """An answer without what differs from call to call."""
    if isinstance(node, dict):
        kept = {name: part for name, part in node.items() if name not in PER_CALL and name not in besides}
        return {name: _steady(part, besides) for name, part in kept.items()}
    return [_steady(part, besides) for part in node] if isinstance(node, list) else node


@pytest.mark.parametrize("name", DOCUMENT["components"]["responses"])
def test_the_example_of_a_problem_fits_its_schema(name: str) -> None:
    content = DOCUMENT["components"]["responses"][name]["content"]["application/problem+json"]
    for example in content["examples"].values():
        _validator(content["schema"]).validate(example["value"])


def test_the_document_is_sent_again_only_when_it_changed(bench: TestClient[Edge]) -> None:
    first = bench.get("/openapi.json")
    assert first.content == openapi_document()
    assert first.headers["content-type"] == "application/json"
    for known in (first.headers["etag"], f'"other", W/{first.headers["etag"]}', "*"):
        again = bench.get("/openapi.json", headers={"if-none-match": known})
        assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", first.headers["etag"])
    assert bench.get("/openapi.json", headers={"if-none-match": '"other"'}).status_code == 200
