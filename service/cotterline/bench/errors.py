"""The one error the whole service raises on purpose, and the faults it carries."""

from collections.abc import Sequence
from typing import Literal

import msgspec

Code = Literal[
    "impossible-value",
    "evidence-conflict",
    "measurement-missing",
    "not-found",
    "bad-cursor",
    "precondition-failed",
    "too-many-keys",
    "too-many-links",
    "quota-reached",
    "wrong-state",
    "order-not-allowed",
    "approval-missing",
    "beyond-ceiling",
    "prices-missing",
    "supplier-missing",
    "secrets-unavailable",
    "signature-refused",
    "too-many-secrets",
    "idempotency-key-in-flight",
    "answer-forgotten",
    "no-longer-kept",
    "idempotency-key-reused",
    "payload-unstorable",
]


class Fault(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One thing wrong with the input: where, as a JSON pointer (RFC 6901), and what."""

    pointer: str
    detail: str


class CotterlineError(Exception):
    """A refusal with a machine code, words for a person and the faults that caused it.

    The code says what kind of refusal it is and nothing about HTTP; ``api/problems.py`` maps it to a status.

    >>> error = CotterlineError("impossible-value", "a shell cannot be 300 mm wide")
    >>> error.code
    'impossible-value'
    """

    def __init__(self, code: Code, detail: str, faults: Sequence[Fault] = ()) -> None:
        super().__init__(detail)
        self.code = code
        self.detail = detail
        self.faults = tuple(faults)
