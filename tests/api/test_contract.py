"""The service against its own API document: every operation, every phase, every check, on both databases.

Two shops are there, each with one of everything. A case that names something names, in turn, what was drawn, what is
the caller's own, and what is the other shop's, which must not be there. Nothing is switched off. What is allowed
besides stands in ``ALLOWED``, each with its reason.
"""

import itertools
import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple
from uuid import UUID, uuid4

import msgspec
import pytest
import schemathesis
from litestar.testing import TestClient
from schemathesis.config import SchemathesisConfig
from schemathesis.engine import Status, events, from_schema
from schemathesis.generation.meta import TestPhase
from schemathesis.schemas import BaseSchema

from cotterline.api import body, examples, thread_verdicts
from cotterline.api.body import decode as _decode
from cotterline.api.drafts import IDEMPOTENCY_KEY
from cotterline.api.edge import Edge
from cotterline.api.idempotency_key import KEY_PATTERN
from cotterline.api.problems import RequestRefusedError
from cotterline.bench.derivation import Trace
from cotterline.bench.shop import ShopSettings
from cotterline.bench.thread_verdicts import Verdict, VerdictRequest, judge
from cotterline.main import create_app, openapi_document
from tests.api.calls import one_of_everything
from tests.api.conftest import settings
from tests.shops import Shop

COVERING = 7
"""The seed that also walks the whole schema."""

RUNS = (("postgresql", COVERING), ("sqlite", 77), ("sqlite", 777), ("postgresql", 777))
"""A database and a seed; walking the schema takes minutes, so it is done where more is refused: PostgreSQL."""

EXAMPLES = 30
"""Cases an operation is drawn for in each of the phases that draw."""

ALLOWED = {
    ("positive_data_acceptance", "/problems/impossible-value"): (
        "whether readings can be true together, or in the unit they are given in, is beyond what a schema can say"
    ),
    ("positive_data_acceptance", "/problems/evidence-conflict"): (
        "whether two entries can be about one bicycle is beyond what a schema can say"
    ),
    ("positive_data_acceptance", "/problems/measurement-missing"): (
        "what must be measured depends on what else was, which is beyond what a schema can say"
    ),
    ("positive_data_acceptance", "/problems/bad-cursor"): (
        "a cursor is opaque: the schema says that it is text, and only the service knows which it gave out"
    ),
    ("positive_data_acceptance", "/problems/precondition-failed"): (
        "an entity tag is opaque: only the service knows which version there is"
    ),
    ("positive_data_acceptance", "/problems/payload-unstorable"): (
        "a schema for values of any shape, as a merge patch has, cannot forbid U+0000 inside them"
    ),
    ("positive_data_acceptance", "/problems/precondition-required"): (
        "that one of two headers must be there, to make or to replace, is beyond what an API document can say"
    ),
    ("negative_data_rejection", "/problems/precondition-failed"): (
        "412 is a refusal too (RFC 9110, section 15.5.13), which the check does not know"
    ),
    ("positive_data_acceptance", "/problems/invalid-table"): (
        "a schema says of a table that it is text, and not how its rows and columns are spelled"
    ),
    ("positive_data_acceptance", "/problems/patch-outcome"): (
        "whether a merge patch makes something that fits depends on what it is merged into (RFC 7396)"
    ),
    ("missing_required_header", "/problems/precondition-required"): (
        "428 is the status for it (RFC 6585, section 3), which the check does not know"
    ),
}
"""A check and the problem type it may meet."""

REFUSED_LINE_BY_LINE = {"POST /v1/quotes/stream", "PATCH /v1/quote-runs/{quote_run_id}/bicycles"}
"""What answers a bad line in its place and goes on; tests of its own hold that each is refused there."""

UNIQUE = {
    "quote_id",
    "link_id",
    "key_id",
    "order_id",
    "fit_report_id",
    "subscription_id",
    "delivery_id",
    "quote_run_id",
}
"""Path parameters that name one thing in the whole service; a number names another thing in each shop."""

DRAWN_ONCE = {"coverage"}
"""Phases that walk the schema and draw nothing, so that one seed is as good as all."""

WALKED_ELSEWHERE = ("POST /v1/estimates", "POST /v1/spindle-options")
"""Operations whose body is that of ``POST /v1/quotes``, or a member of it: they are drawn for, and not walked again."""


OPERATIONS = {
    f"{method.upper()} {path}"
    for path, item in msgspec.json.decode(openapi_document())["paths"].items()
    for method in item
    if path != "/openapi.json"  # what a run is made from, it does not ask for again
}


SELDOM_SERVED = {
    "POST /v1/labour-times": "it names an operation of the labour book, which another call may have replaced",
    "POST /v1/quotes/{quote_id}/ceiling-checks": "it takes an approval in force, and so three calls before it",
    "POST /v1/quotes/{quote_id}/estimate-links": "the quote must be issued, and not answered since",
    "POST /v1/quotes/{quote_id}/transitions": "the action that is drawn must suit the state the quote happens to be in",
    "POST /v1/quotes/{quote_id}/order-previews": "it takes an approval in force, and so three calls before it",
    "POST /v1/quotes/{quote_id}/orders": "the same, parts, prices and a supplier",
    "POST /v1/quotes/{quote_id}/fit-reports": "its parts must have been ordered, and so four calls before it",
    "POST /v1/fit-reports/{fit_report_id}/exchanges": "the same, and a report that missed for the length it names",
    "GET /v1/quotes/{quote_id}/recheck-visit": "another call may have cancelled the visit it knows",
    "PUT /v1/quotes/{quote_id}/recheck-visit": "a date that is drawn lies more than two years ahead most of the time",
    "DELETE /v1/quotes/{quote_id}/recheck-visit": "another call may have cancelled the visit it knows",
    "POST /v1/orders/{order_id}/callbacks": "it takes a signature over the very bytes that are drawn",
    "POST /v1/orders/{order_id}/decisions": "it answers a question, which a supplier's reply must have asked before",
    "GET /v1/subscriptions/{subscription_id}/secrets": "another call may have removed the subscription it knows",
    "DELETE /v1/subscriptions/{subscription_id}/secrets/{signing_secret_id}": "as before",
    "PUT /v1/price-lists/{supplier}": "body and address must name the same supplier",
}
"""What a draw may never hit upon, each with its reason; tests of their own serve them."""


class Run(NamedTuple):
    """What came of one run."""

    failures: list[str]
    served: set[str]
    unwell: list[str]


def _config(seed: int, *, every_phase: bool, less: Sequence[str] = ()) -> SchemathesisConfig:
    phases = {name: {"enabled": every_phase} for name in DRAWN_ONCE}
    return SchemathesisConfig.from_dict(
        {
            "seed": seed,
            "continue-on-failure": True,
            "generation": {"mode": "all", "max-examples": EXAMPLES},
            "phases": phases,
            "operations": [
                {"include-name": name, "phases": {each: {"enabled": False} for each in DRAWN_ONCE}} for name in less
            ],
        }
    )


def _app(database_url: str) -> Edge:
    app = create_app(settings(database_url, rate_per_minute=0, shop_rate_per_minute=0, wrong_keys_per_minute=0))
    app.app.state.long_answers.quiet_seconds = 0.0  # nobody works on runs meanwhile, so that waiting brings nothing
    return app


class Named:
    """What a path of this run may name, beside what is drawn."""

    def __init__(self) -> None:
        self.caller = ""
        self.own: Mapping[str, str] = {}
        self.others: Mapping[str, str] = {}
        self.refused: Counter[str] = Counter()
        self._turn = itertools.cycle(("drawn", "own", "others"))

    def put_into(self, case: schemathesis.Case[Any]) -> None:
        """Let a case that would be accepted name something that is there, and none the very key it is sent with."""
        if (case.path_parameters or {}).get("key_id") == self.caller:
            case.path_parameters["key_id"] = self.own["key_id"]  # revoked, it would open nothing any more
        if not case.path_parameters or not case.meta or not case.meta.generation.mode.is_positive:
            return
        if case.meta.phase.name is TestPhase.STATEFUL:  # it names what it made itself, and checks by that
            return
        turn = next(self._turn)
        if turn != "drawn":
            chosen = self.own if turn == "own" else self.others
            case.path_parameters = {name: chosen.get(name, drawn) for name, drawn in case.path_parameters.items()}

    def is_others(self, case: schemathesis.Case[Any]) -> bool:
        """Whether the case names what belongs to the other shop and cannot be taken for the caller's own."""
        named = (case.path_parameters or {}).items()
        return any(name in UNIQUE and str(value) == self.others.get(name) for name, value in named)


NAMED = Named()


@schemathesis.check
def the_other_shops_things_are_not_there(
    _context: schemathesis.CheckContext, response: schemathesis.Response, case: schemathesis.Case[Any]
) -> None:
    """Whoever names what belongs to another shop is told that there is no such thing, or what else is wrong."""
    if not NAMED.is_others(case):
        return
    assert 400 <= response.status_code < 500, f"{response.status_code} for what belongs to another shop"
    assert response.status_code not in {409, 412}, "the answer tells in which state another shop's thing is"
    NAMED.refused[case.operation.label] += response.status_code == 404


@schemathesis.serializer("text/csv", "application/x-ndjson", "application/partial-upload")
def as_it_stands(_context: schemathesis.SerializationContext, value: object) -> bytes:
    """A table is sent as the text it is."""
    return value.encode("utf-8", "replace") if isinstance(value, str) else msgspec.json.encode(value)


@schemathesis.hook
def before_call(_context: schemathesis.HookContext, case: schemathesis.Case[Any], **_: Any) -> None:  # noqa: ANN401 - what a call takes
    """Name what is there, and put a key of its own in the place of one that is as good: those drawn come again."""
    NAMED.put_into(case)
    if case.headers and re.fullmatch(KEY_PATTERN, str(case.headers.get(IDEMPOTENCY_KEY, ""))):
        case.headers[IDEMPOTENCY_KEY] = f'"{uuid4()}"'


def _schema(database_url: str, shop: Shop, config: SchemathesisConfig) -> BaseSchema:
    """The document, with a shop's key for every operation that asks for one."""
    schema = schemathesis.openapi.from_asgi("/openapi.json", _app(database_url), config=config)

    @schema.auth()
    class _Key:
        def get(self, _case: schemathesis.Case[Any], _context: schemathesis.AuthContext) -> dict[str, str]:
            return shop.headers

        def set(self, case: schemathesis.Case[Any], data: dict[str, str], _context: schemathesis.AuthContext) -> None:
            case.headers.update(data)

    return schema


def _things(database_url: str, shop: Shop) -> dict[str, str]:
    """One of everything of a shop's, by the name of the path parameter that names it."""
    with TestClient(_app(database_url)) as client:
        client.headers.update(shop.headers)
        return one_of_everything(client)


def _run(schema: BaseSchema) -> Run:
    """Run every phase; gives the failures that are not allowed, who was served, and what else went wrong."""
    run = Run([], set(), [])
    for event in from_schema(schema).execute():
        if isinstance(event, events.ScenarioFinished):
            run.failures.extend(_failures(event))
            run.served.update(_served(event))
            if event.skip_warning:
                run.unwell.append(f"{event.label}: {event.skip_warning}")
        elif isinstance(event, events.NonFatalError):
            run.unwell.append(f"{event.label}: {event.value!r}")
        elif isinstance(event, events.FatalError):
            run.unwell.append(repr(event.exception))
        elif isinstance(event, events.SchemaAnalysisWarnings):
            run.unwell.extend(map(repr, event.warnings))
        elif isinstance(event, events.PhaseFinished) and event.status in {Status.ERROR, Status.INTERRUPTED}:
            run.unwell.append(f"{event.phase.name}: {event.status}")
    return run


def _failures(event: events.ScenarioFinished) -> Iterator[str]:
    for case_id, checks in event.recorder.checks.items():
        for check in checks:
            if check.failure_info is None:
                continue
            response = event.recorder.interactions[case_id].response
            content = response.content if response else b""
            case = event.recorder.cases[case_id].value
            in_its_place = check.name == "negative_data_rejection" and case.operation.label in REFUSED_LINE_BY_LINE
            if (check.name, _type(content)) not in ALLOWED and not in_its_place and not _mislabelled(check.name, case):
                yield f"{check.name}: {case.method} {case.path} {case.query} {case.body!r:.500} -> {content!r:.500}"


def _mislabelled(check: str, case: schemathesis.Case[Any]) -> bool:
    """Whether a case is called good although a part of it was made to be bad, as happens to an optional header.

    Where it finds no value for the pattern of an entity tag, the tool sends 0 and calls that good too.
    """
    parts = case.meta.components.values() if case.meta else ()
    tags = [value for name, value in (case.headers or {}).items() if name in {"If-Match", "If-None-Match"}]
    return check == "positive_data_acceptance" and ("0" in tags or any(part.mode.is_negative for part in parts))


def _type(content: bytes) -> str:
    """The type of a problem document; empty for anything else."""
    try:
        document = msgspec.json.decode(content)
    except msgspec.DecodeError:
        return ""
    return str(document.get("type", "")) if isinstance(document, dict) else ""


def _served(event: events.ScenarioFinished) -> Iterator[str]:
    """The operations that answered well; one never served was not tested at all."""
    for case_id, interaction in event.recorder.interactions.items():
        if interaction.response and interaction.response.status_code < 300:
            yield event.recorder.cases[case_id].value.operation.label


@pytest.mark.parametrize(("backend", "seed"), RUNS, indirect=["backend"])
def test_the_service_keeps_to_its_document(
    database_url: str, shop_a: Shop, shop_b: Shop, seed: int, logged: list[dict[str, Any]]
) -> None:
    schema = _schema(database_url, shop_a, _config(seed, every_phase=seed == COVERING, less=WALKED_ELSEWHERE))
    NAMED.own, NAMED.others = (_things(database_url, shop) for shop in (shop_a, shop_b))
    NAMED.caller = str(UUID(shop_a.key.split("_")[2]))
    NAMED.refused.clear()
    run = _run(schema)
    assert run.failures == []
    assert run.unwell == []
    if seed == COVERING:  # what is drawn alone leaves an operation out now and then
        assert run.served | set(SELDOM_SERVED) == OPERATIONS
        assert set(NAMED.refused) == {name for name in OPERATIONS if any(f"{{{part}}}" in name for part in UNIQUE)}
    assert [line for line in logged if line["log_level"] in {"error", "warning"}] == []


def _drop_unknown(raw: bytes, kind: Any) -> Any:  # noqa: ANN401 - as the original
    """Read a body and overlook every member the request does not know."""
    document = msgspec.json.decode(raw)
    known = {field.encode_name for field in msgspec.structs.fields(kind)}
    if isinstance(document, dict):
        document = {name: value for name, value in document.items() if name in known}
    return _decode(msgspec.json.encode(document), kind)


def _take_anything(_raw: bytes, kind: Any) -> Any:  # noqa: ANN401 - as the original
    return examples.typed("clear_shell", kind)


def _take_nothing(_raw: bytes, _kind: object) -> None:
    raise RequestRefusedError("invalid-body", "Nothing fits.")


def _answer_with_an_unknown_state(request: VerdictRequest, shop: ShopSettings, trace: Trace) -> Verdict:
    return msgspec.structs.replace(judge(request, shop, trace), state="perhaps")


def _fail(_request: object, _shop: object, _trace: object) -> Verdict:
    raise RuntimeError("broken on purpose")


MUTATIONS: dict[str, tuple[object, str, Callable[..., object], str]] = {
    "unknown members pass": (body, "decode", _drop_unknown, "negative_data_rejection"),
    "any body passes": (body, "decode", _take_anything, "negative_data_rejection"),
    "no body passes": (body, "decode", _take_nothing, "positive_data_acceptance"),
    "the answer has another shape": (
        thread_verdicts,
        "judge",
        _answer_with_an_unknown_state,
        "response_schema_conformance",
    ),
    "the core fails": (thread_verdicts, "judge", _fail, "not_a_server_error"),
}


@pytest.mark.parametrize("name", MUTATIONS)
@pytest.mark.parametrize("backend", ["sqlite"], indirect=True)
def test_a_broken_validator_turns_the_contract_red(
    database_url: str, shop_a: Shop, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    module, attribute, broken, check = MUTATIONS[name]
    monkeypatch.setattr(module, attribute, broken)
    schema = _schema(database_url, shop_a, _config(COVERING, every_phase=True))
    run = _run(schema.include(path="/v1/thread-verdicts"))
    assert [failure for failure in run.failures if failure.startswith(check)]
