"""What stands before or beside a body: headers, queries, keys, links, cursors, addresses, settings."""

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, Final, get_args
from urllib.parse import parse_qsl

from cotterline.api import conditions, quote_run_uploads
from cotterline.api.body import StrictRequest, content_kind
from cotterline.api.caller import _BEARER
from cotterline.api.csv_table import csv_wanted
from cotterline.api.customer_estimates import _language_of
from cotterline.api.endpoints import Endpoints
from cotterline.api.estimate_forms import sent_from_here, wanted_options
from cotterline.api.exchange import _traceparent
from cotterline.api.idempotency_key import MAX_KEY, read_key
from cotterline.api.parameters import _query_errors
from cotterline.api.preferences import RESPOND_ASYNC, prefers
from cotterline.api.problems import Call
from cotterline.bench.suppliers import check_endpoint
from cotterline.delivery.addresses import may_be_posted_to, origin
from cotterline.delivery.schedule import LONGEST_WAIT, Answer, decided
from cotterline.delivery.signatures import SIGNATURE_HEADERS, check_secret, signed, verified
from cotterline.documents.language import LANGUAGES, SOURCE, Language
from cotterline.practice_supplier.rules import told_by
from cotterline.settings import PREFIX, Settings, from_environment
from cotterline.store import cursor, key_text, link_text
from tests.fuzz.handed import Handed

Asked = StrictRequest
NOON: Final = datetime(2026, 11, 27, 12, tzinfo=UTC)
_SECRET: Final = "whsec_" + "AAAA" * 11
_LISTS: Final[Sequence[cursor.List]] = get_args(cursor.List)
_SETTINGS: Final = Settings.__struct_fields__
_NAMED: Final[Mapping[str, Any]] = {"limit": int, "cursor": str, "derivation": bool, "created_from": datetime}


def _idempotency_key(asked: Asked) -> None:
    assert 1 <= len(read_key(asked.headers.getall("idempotency-key"))) <= MAX_KEY


def _traced(asked: Asked) -> None:
    found = _traceparent(asked.scope["headers"])
    assert found is None or len(found) == len("00-") + 32 + 1 + 16 + len("-01")


def _authorization(asked: Asked) -> None:
    found = _BEARER.fullmatch(asked.headers["authorization"])
    if found:
        key_text.read(found[1])


HEADERS: Final[Sequence[tuple[str, Callable[[Asked], object]]]] = (
    ("idempotency-key", _idempotency_key),
    ("prefer", lambda asked: prefers(asked, RESPOND_ASYNC)),
    ("if-match", conditions.wanted_tags),
    ("if-none-match", lambda asked: conditions.is_current(asked, '"3-draft"')),
    ("if-none-match", conditions.makes_it),
    ("accept", csv_wanted),
    ("accept", lambda asked: asked.accept.best_match(["text/html", "application/json"])),
    ("authorization", _authorization),
    ("traceparent", _traced),
    ("upload-offset", quote_run_uploads._offset),
    ("upload-complete", quote_run_uploads._complete),
    ("content-type", lambda asked: content_kind(asked, "application/json", "text/csv")),
    ("content-encoding", lambda asked: content_kind(asked, "")),
    ("host", sent_from_here),
    ("origin", sent_from_here),
    ("accept-language", lambda asked: _spoken(_language_of(asked))),
)
"""Each header with what reads it."""


def _spoken(language: str) -> None:
    assert language.lower() in {SOURCE, *LANGUAGES}
    assert Language.of(language).say("mid-plane")


def header(data: bytes) -> None:
    """A header is understood or refused; given twice, too."""
    handed = Handed(data)
    name, read = handed.chosen(HEADERS)
    values = handed.rest().split(b"\n", 1)
    scope = {
        "type": "http",
        "method": "POST",
        "scheme": "http",
        "path": "/",
        "root_path": "",
        "query_string": b"",
        "server": ("bench", 80),
        "state": {"call": Call("01900000-0000-7000-8000-000000000000", "")},
        "headers": [(name.encode(), value) for value in values],
    }
    read(StrictRequest(scope))  # type: ignore[arg-type] # no more of a scope is looked at


def query(data: bytes) -> None:
    """A query is read as the edge reads it; a customer's keeps what it knows of it."""
    try:
        pairs = parse_qsl(data.decode("ascii"), keep_blank_values=True, errors="strict")
    except ValueError:
        pairs = []
    assert all(error.detail for error in _query_errors(pairs, _NAMED))
    wanted_options(data)


def key(data: bytes) -> None:
    """A key that can be one is written as it was."""
    text = data.decode("latin-1")
    read = key_text.read(text)
    if read is not None:
        secret = text.rpartition("_")[2][:32]
        assert key_text.written(read.mode, read.id, secret) == text


def link(data: bytes) -> None:
    """A link's token that can be one is written as it was."""
    text = data.decode("latin-1")
    if link_text.is_token(text):
        assert link_text.written(text.removeprefix("cotl_link_")[:-8]) == text


def place(data: bytes) -> None:
    """A cursor that is taken is written as it was."""
    handed = Handed(data)
    of = handed.chosen(_LISTS)
    token = handed.text()
    assert cursor.encode(cursor.decode(token, of), of) == token


def signature(data: bytes) -> None:
    """Nobody who does not know the secret signs anything; what may be a secret signs what can be verified."""
    lines = [*data.decode("latin-1").split("\n", 3), "", "", ""]
    given = dict(zip(SIGNATURE_HEADERS, lines, strict=False))
    try:
        verified([_SECRET], given, data, NOON)
    finally:
        if not [*check_secret(lines[0], "")]:
            told = signed([lines[0]], "msg_1", NOON, data)
            assert verified([lines[0]], told, data, NOON) == "msg_1"
    raise AssertionError("somebody signed without the secret")


def address(data: bytes) -> None:
    """An address is public or not, and an endpoint in order or not; neither is ever an error."""
    text = data.decode(errors="replace")
    if may_be_posted_to(text):
        assert not text.startswith(("10.", "127.", "192.168.", "::", "f"))
    assert len(origin(text)) == len(("scheme", "host", "port"))
    faults = [*check_endpoint(text, ""), *Endpoints().check(text, "live", "")]
    assert all(fault.detail for fault in faults)


def wait(data: bytes) -> None:
    """However long a receiver asks to wait, the next try comes in its time."""
    handed = Handed(data)
    came = Answer(status=handed.chosen((429, 503)), retry_after=handed.text())
    due = decided(came, 1 + handed.number(9), NOON, 0.5).due_at
    assert due is not None
    assert NOON <= due <= NOON + LONGEST_WAIT


def setting(data: bytes) -> None:
    """A setting that is taken can be set again as it was read."""
    handed = Handed(data)
    name = handed.chosen(_SETTINGS)
    found = from_environment({PREFIX + name.upper(): handed.rest().decode(errors="replace")})
    again = {PREFIX + each.upper(): str(getattr(found, each)) for each in _SETTINGS}
    assert from_environment(again) == found


def reference(data: bytes) -> None:
    """The practice supplier reads its rules out of any reference."""
    told_by(data.decode(errors="replace"))


TARGETS: Final[Mapping[str, Callable[[bytes], None]]] = {
    "header": header,
    "query": query,
    "key": key,
    "link": link,
    "cursor": place,
    "signature": signature,
    "address": address,
    "wait": wait,
    "setting": setting,
    "reference": reference,
}
