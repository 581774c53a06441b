"""The practice supplier as the API tells of it: where it is, what it can be told, and its published secrets."""

from typing import Annotated, Final

import msgspec
from litestar import get
from litestar.di import NamedDependency
from msgspec import UNSET, Meta, UnsetType

from cotterline.api.endpoints import Endpoints
from cotterline.api.operation import Example
from cotterline.practice_supplier.rules import CREDENTIAL, ORDERS, REPLY_SECRET, RULES, SIGNING_SECRET, PracticeRule

_HOW: Final = (
    "With a key for test data, make a supplier with this endpoint.",
    "Give it the signing secret for posts and the reply secret for replies, both as they stand here.",
    "Write rules in brackets into a quote's reference, as in `Blue roadster [backorder reply-twice]`, and order.",
)


class PracticeSupplierReference(msgspec.Struct, frozen=True, kw_only=True):
    """A supplier to practise with, in test mode alone: it takes orders and replies by rules in their references.

    Attributes:
        endpoint: what to set as the supplier's endpoint; left out where the operator runs none.
        signing_secret: what it verifies posts with. Published: it guards nothing.
        reply_secret: what it signs replies with. Published: it guards nothing.
        credential: what it takes as a bearer token or a password, where a post shows one. Published like the others.
        how: what to do, step by step.
        rules: what it can be told.
    """

    endpoint: Annotated[str, Meta(max_length=600)] | UnsetType = UNSET
    signing_secret: str = SIGNING_SECRET
    reply_secret: str = REPLY_SECRET
    credential: str = CREDENTIAL
    how: tuple[str, ...] = _HOW
    rules: tuple[PracticeRule, ...] = RULES


def reference(address: str) -> PracticeSupplierReference:
    """What is told of the practice supplier at an address; an empty one is none."""
    return PracticeSupplierReference(endpoint=f"{address}{ORDERS}" if address else UNSET)


@get(
    "/v1/reference/practice-supplier",
    operation_id="readPracticeSupplier",
    tags=["reference"],
    summary="A supplier to practise with",
    opt={
        "scope": None,
        "examples": {"one": Example("One that is there", lambda: reference("https://practice.bench.example"))},
    },
)
async def read(endpoints: NamedDependency[Endpoints]) -> PracticeSupplierReference:
    """Tell where the practice supplier is, its secrets, and each rule with what it does."""
    return reference(endpoints.practice_supplier)
