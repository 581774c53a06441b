"""Headers that an operation reads, as the API document describes them, and how each can make it refuse."""

from collections.abc import Iterator, Mapping
from typing import Any, Final

from litestar.handlers import HTTPRouteHandler

from cotterline.api.conditions import ETAG_PATTERN
from cotterline.api.drafts import IDEMPOTENCY_KEY, UPLOAD_COMPLETE, UPLOAD_DRAFT, UPLOAD_OFFSET
from cotterline.api.idempotency_key import KEY_PATTERN
from cotterline.api.preferences import PREFER
from cotterline.api.quote_run_uploads import OFFSET_PATTERN
from cotterline.delivery import signatures

_PARAMETERS: Final[Mapping[str, Mapping[str, Any]]] = {
    IDEMPOTENCY_KEY: {
        "required": True,
        "description": "Names this request, so that sending it again does nothing twice. A quoted string, or the same "
        "without quotation marks; a random UUID does well.",
        "schema": {"type": "string", "pattern": KEY_PATTERN},
    },
    "If-Match": {
        "required": True,
        "description": "The ETag of the version to be changed, or an asterisk for whatever version there is.",
        "schema": {"type": "string", "maxLength": 1000, "pattern": ETAG_PATTERN},
    },
    "If-None-Match": {
        "required": False,
        "description": "The ETag of the copy the client has.",
        "schema": {"type": "string", "maxLength": 1000, "pattern": ETAG_PATTERN},
        "example": '"1-draft"',
    },
    "If-Match to replace": {
        "name": "If-Match",
        "required": False,
        "description": "To replace: the ETag of the version to be replaced, or an asterisk for whatever there is.",
        "schema": {"type": "string", "maxLength": 1000, "pattern": ETAG_PATTERN},
    },
    "If-None-Match to make": {
        "name": "If-None-Match",
        "required": False,
        "description": "To make what is not there yet: an asterisk. One of the two headers is needed.",
        "schema": {"type": "string", "maxLength": 1, "pattern": r"^\*(?![\s\S])"},
    },
}

LAST_EVENT_ID: Final = "Last-Event-ID"
LONGEST_EVENT_ID: Final = 1000

_PARAMETERS_OF_RUNS: Final[Mapping[str, Mapping[str, Any]]] = {
    LAST_EVENT_ID: {
        "required": False,
        "description": "The `id` of the event received last (HTML Living Standard, section 9.2.4).",
        "schema": {"type": "string", "maxLength": LONGEST_EVENT_ID},
        "example": "262",
    },
    PREFER: {
        "required": False,
        "description": "`respond-async` (RFC 7240, section 4.1) has the bicycles quoted beside this call, as a run.",
        "schema": {"type": "string", "maxLength": 1000},
        "example": "respond-async",
    },
    UPLOAD_OFFSET: {
        "required": True,
        "description": f"Bytes of the upload before this piece ({UPLOAD_DRAFT}).",
        "schema": {"type": "string", "maxLength": 15, "pattern": OFFSET_PATTERN},
        "example": "0",
    },
    UPLOAD_COMPLETE: {
        "required": False,
        "description": f"`?1` where nothing comes behind this piece, or else `?0` ({UPLOAD_DRAFT}).",
        "schema": {"type": "string", "enum": ["?0", "?1"]},
        "example": "?1",
    },
}

_PARAMETERS_OF_A_SIGNATURE: Final[Mapping[str, Mapping[str, Any]]] = {
    signatures.ID: {
        "required": True,
        "description": "Names the message; sent again under the same name, it is taken in once.",
        "schema": {"type": "string", "maxLength": 200, "pattern": r"^[!-\-/-~]{1,200}(?![\s\S])"},
    },
    signatures.TIMESTAMP: {
        "required": True,
        "description": "When it is sent, in whole seconds since 1970; no more than five minutes from now.",
        "schema": {"type": "string", "maxLength": 11, "pattern": r"^[0-9]{1,11}(?![\s\S])"},
    },
    signatures.SIGNATURE: {
        "required": True,
        "description": "One or more signatures with spaces between, as Standard Webhooks 1.0 says: `v1,` and HMAC with "
        "SHA-256, in base 64, over id, time and body with full stops between.",
        "schema": {"type": "string", "maxLength": 2000, "pattern": r"^v1,[!-~]+( [!-~]+)*(?![\s\S])"},
    },
}

_ALL: Final[Mapping[str, Mapping[str, Any]]] = {
    **_PARAMETERS,
    **_PARAMETERS_OF_RUNS,
    **_PARAMETERS_OF_A_SIGNATURE,
}

_REFUSALS: Final[Mapping[str, set[int]]] = {
    IDEMPOTENCY_KEY: {409},
    "If-Match": {412, 428},
    "If-Match to replace": {412, 428},
}


def header_parameters(handler: HTTPRouteHandler) -> Iterator[dict[str, Any]]:
    """The parameter objects of the headers named in ``opt={"takes": [...]}``."""
    for name in handler.opt.get("takes", ()):
        yield {"name": name, "in": "header", **_ALL[name]}


def signature_parameters() -> Iterator[dict[str, Any]]:
    """The parameter objects of the headers that a signed post carries."""
    for name, words in _PARAMETERS_OF_A_SIGNATURE.items():
        yield {"name": name, "in": "header", **words}


def header_refusals(handler: HTTPRouteHandler) -> set[int]:
    """The statuses with which these headers can make it refuse."""
    return {status for name in handler.opt.get("takes", ()) for status in _REFUSALS.get(name, ())}
