"""The API document as pages, made of `openapi/openapi.json` when the site is built: one page for each of its tags."""

import json
from collections.abc import Iterator, Mapping, Sequence
from html import escape
from pathlib import Path
from typing import Any, Final, NamedTuple

from markdown.extensions.toc import slugify
from mkdocs.structure.files import File, Files

DOCUMENT: Final = Path(__file__).parents[1] / "openapi/openapi.json"
LONGEST_EXAMPLE: Final = 400
"""Lines; a whole quote has thousands, and the document itself is the place for it."""

LONGEST_DEFAULT: Final = 80
"""Characters; what is longer is a table that the call itself gives."""

Node = Mapping[str, Any]


class Call(NamedTuple):
    """One operation: of the service, or of who is posted to."""

    method: str
    path: str
    told: Node
    posted: bool

    @property
    def name(self) -> str:
        """Its method and path, or what is posted."""
        return self.path if self.posted else f"{self.method.upper()} {self.path}"

    @property
    def summary(self) -> str:
        """What it does, in a few words."""
        words: str = self.told["summary"]
        return words


def on_files(files: Files, config: Any) -> Files:  # noqa: ANN401 - MkDocs's own
    """Add the pages."""
    for name, text in pages(json.loads(DOCUMENT.read_text("utf-8"))).items():
        files.append(File.generated(config, name, content=text))
    return files


def pages(document: Node) -> Mapping[str, str]:
    """Each page by its name."""
    told = {tag["name"]: _Tag(document, tag, _calls(document, tag["name"])) for tag in document["tags"]}
    owners = _owners(document, told)
    made = {f"api/{name}.md": "\n".join(tag.lines(owners)) for name, tag in told.items()}
    return {"api.md": "\n".join(_front(document, told)), **made}


def _calls(document: Node, tag: str) -> Sequence[Call]:
    return [
        Call(method, path, call, posted=part == "webhooks")
        for part in ("paths", "webhooks")
        for path, calls in document[part].items()
        for method, call in calls.items()
        if tag in call["tags"]
    ]


def _front(document: Node, told: "Mapping[str, _Tag]") -> Iterator[str]:
    info = document["info"]
    yield from ("# The API", "", f"{info['summary']} {info['description']}", "")
    yield "What holds for every call stands in [the conventions](api-conventions.md), each refusal in"
    yield f"[the problems](problems.md). These pages are version {info['version']} of the document that a service"
    yield from (
        "gives programs at `/openapi.json`, and shows at `/docs` with forms to try each call. What is marked as",
        "deprecated [will go](deprecation.md); its description says what to do instead.",
        "",
    )
    for name, tag in told.items():
        yield from (f"## {_title(name)}", "", prose(tag.words), "", "| call | what it does |", "| --- | --- |")
        for call in tag.calls:
            words = _going(call.told) + prose(call.summary)
            yield f"| [{code(call.name)}](api/{name}.md#{_slug(call.summary)}) | {words} |"
        yield ""
    yield from ("## Headers of answers", "", "| header | what it says |", "| --- | --- |")
    for name, header in document["components"]["headers"].items():
        yield f"| {code(name)} | {prose(header['description'])} |"


class _Tag:
    """The page of one tag."""

    def __init__(self, document: Node, tag: Node, calls: Sequence[Call]) -> None:
        self.document, self.name, self.words, self.calls = document, tag["name"], tag["description"], calls
        self.owners: Mapping[str, str] = {}

    def lines(self, owners: Mapping[str, str]) -> Iterator[str]:
        """The page, its links by which page owns which schema."""
        self.owners = owners
        yield from (f"# {_title(self.name)}", "", prose(self.words), "", "[All calls](../api.md)", "")
        for call in self.calls:
            yield from self._call(call)
        own = sorted(schema for schema, owner in owners.items() if owner == self.name)
        if own:
            yield from ("## Schemas", "")
        for name in own:
            yield from self._schema(name, self.document["components"]["schemas"][name])

    def _call(self, call: Call) -> Iterator[str]:
        told = call.told
        yield from (f"## {call.summary}", "", code(call.name), "", _going(told) + prose(told["description"]), "")
        scopes = [scope for need in told["security"] for scope in need.get("key", ())]
        if scopes:
            yield f"Needs a key with the scope {code(scopes[0])}."
        elif call.posted:
            yield "Posted by the service, signed, to who asked for it."
        else:
            yield "Needs no key."
        yield from ("", *self._parameters(told.get("parameters", ())))
        for kind, body in told.get("requestBody", {}).get("content", {}).items():
            yield from ("", f"Takes {self._media(kind, body)}.", "")
            yield from _examples(body)
        yield from self._answers(told["responses"])

    def _parameters(self, parameters: Sequence[Node]) -> Iterator[str]:
        if not parameters:
            return
        yield from ("| parameter | in | type | what it says |", "| --- | --- | --- | --- |")
        for each in parameters:
            words = (
                _going(each) + ("" if each.get("required") else _unless(each["schema"])) + prose(each["description"])
            )
            yield f"| {code(each['name'])} | {each['in']} | {self._type(each['schema'])} | {words} |"
        yield ""

    def _answers(self, answers: Node) -> Iterator[str]:
        found = {status: self._resolved(answer) for status, answer in answers.items()}
        yield from ("| status | answer | headers |", "| --- | --- | --- |")
        for status, answer in found.items():
            headers = ", ".join(f"[{code(name)}](../api.md#headers-of-answers)" for name in answer.get("headers", ()))
            yield f"| {status} | {self._answer(answer)} | {headers} |"
        yield ""
        for status, answer in found.items():
            for kind, body in answer.get("content", {}).items():
                if not kind.startswith("application/problem"):
                    yield from _examples(body, f" of an answer {status}")

    def _answer(self, answer: Node) -> str:
        content: Node = answer.get("content", {})
        problems = content.get("application/problem+json", {}).get("examples", {})
        if problems:
            return ", ".join(f"[{name}](../problems.md#{name})" for name in problems)
        return "; ".join(self._media(kind, body) for kind, body in content.items()) or prose(answer["description"])

    def _media(self, kind: str, body: Node) -> str:
        return f"{code(kind)}: {self._type(body['schema'])}" if "schema" in body else code(kind)

    def _schema(self, name: str, schema: Node) -> Iterator[str]:
        yield from (f"### {name}", "", prose(schema["description"]), "")
        if "properties" not in schema:
            yield from (f"{self._type(schema)}.", "")
            return
        yield from ("| member | type | what it says |", "| --- | --- | --- |")
        for member, each in schema["properties"].items():
            need = _going(each) + ("" if member in schema.get("required", ()) else _unless(each))
            yield f"| {code(member)} | {self._type(each)} | {need}{prose(each.get('description', ''))} |"
        yield ""

    def _type(self, schema: Node) -> str:
        """A schema in words, with links to what has a name."""
        if "$ref" in schema:
            name = schema["$ref"].rpartition("/")[2]
            return f"[{name}]({self.owners[name]}.md#{_slug(name)})"
        if "anyOf" in schema:
            return " or ".join(self._type(each) for each in schema["anyOf"])
        if "const" in schema:
            return code(str(schema["const"]))
        if "enum" in schema:
            return ", ".join(code(str(each)) for each in schema["enum"])
        match schema.get("type"):
            case "array":
                words = f"list of {self._type(schema['items'])}" if "items" in schema else "list"
            case "object" if isinstance(schema.get("additionalProperties"), dict):
                names = self._type({"type": "string", **schema.get("propertyNames", {})})
                words = f"object, names {names}, values {self._type(schema['additionalProperties'])}"
            case str(kind):
                words = kind
            case _:
                words = "anything"
        return ", ".join((words, *_bounds(schema)))

    def _resolved(self, node: Node) -> Node:
        while "$ref" in node:
            _, *steps = node["$ref"].split("/")
            node = self.document
            for step in steps:
                node = node[step]
        return node


def _owners(document: Node, told: Mapping[str, _Tag]) -> Mapping[str, str]:
    """On which page each schema stands: that of the call it is nearest to, the earlier page where two are as near."""
    owners: dict[str, str] = {}
    reached = [(name, dict(call.told)) for name, tag in told.items() for call in tag.calls]
    shared = {f"#/components/responses/{name}": node for name, node in document["components"]["responses"].items()}
    while reached:
        following: list[tuple[str, Any]] = []
        for tag, node in reached:
            for ref in _refs(node):
                name = ref.rpartition("/")[2]
                if ref in shared:
                    following.append((tag, shared[ref]))
                elif ref.startswith("#/components/schemas/") and name not in owners:
                    owners[name] = tag
                    following.append((tag, document["components"]["schemas"][name]))
        reached = following
    return owners


def _refs(node: object) -> Iterator[str]:
    if isinstance(node, dict):
        if isinstance(node.get("$ref"), str):
            yield node["$ref"]
        for name, each in node.items():
            if name not in {"examples", "mapping"}:
                yield from _refs(each)
    elif isinstance(node, list):
        for each in node:
            yield from _refs(each)


_BOUNDS: Final = (
    ("minimum", "maximum", ""),
    ("minLength", "maxLength", "length "),
    ("minItems", "maxItems", "entries "),
    ("minProperties", "maxProperties", "members "),
)


def _bounds(schema: Node) -> Iterator[str]:
    if "format" in schema:
        yield code(schema["format"])
    if "exclusiveMinimum" in schema:
        yield f"more than {schema['exclusiveMinimum']}"
    for least, most, of in _BOUNDS:
        match schema.get(least), schema.get(most):
            case None, None:
                continue
            case low, None:
                yield f"{of}at least {low}"
            case None, high:
                yield f"{of}at most {high}"
            case low, high:
                yield f"{of}{low} to {high}"
    if "pattern" in schema:
        yield code(schema["pattern"])


def _going(node: Node) -> str:
    return "**Deprecated.** " if node.get("deprecated") is True else ""


def _unless(schema: Node) -> str:
    text = json.dumps(schema["default"], ensure_ascii=False) if "default" in schema else ""
    return f"Unless given {code(text)}. " if 0 < len(text) <= LONGEST_DEFAULT else "May be left out. "


def _examples(body: Node, of: str = "") -> Iterator[str]:
    """Each example folded away, if it is short enough to be read."""
    for example in body.get("examples", {}).values():
        value = example["value"]
        text = value if isinstance(value, str) else json.dumps(value, indent=2, ensure_ascii=False)
        if text.count("\n") < LONGEST_EXAMPLE:
            title = escape(f"Example{of}: {example['summary']}")
            shown = f"<pre><code>{escape(text)}</code></pre>"
            yield from (f"<details><summary>{title}</summary>{shown}</details>", "")


def _title(tag: str) -> str:
    return f"Calls: {tag.replace('-', ' ')}"


def _slug(heading: str) -> str:
    return str(slugify(heading, "-"))


def code(text: str) -> str:
    """Text as code, whatever is in it."""
    fence = "``" if "`" in text else "`"
    room = " " if fence == "``" else ""
    return f"{fence}{room}{text}{room}{fence}"


def prose(text: str) -> str:
    r"""Sentences as Markdown that may stand in a table: code stays code, and nothing else is a mark.

    >>> prose("`a|b` is *one* of <two>")
    '`a|b` is \\*one\\* of &lt;two>'
    """
    parts = " ".join(text.split()).split("`")
    parts[::2] = (part.replace("*", "\\*").replace("<", "&lt;").replace("|", "\\|") for part in parts[::2])
    return "`".join(parts)
