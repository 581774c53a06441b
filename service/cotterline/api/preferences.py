"""What a client would rather have (RFC 7240): the header ``Prefer``, as far as anything here goes by it."""

from typing import Any, Final

from litestar import Request

PREFER: Final = "Prefer"
APPLIED: Final = "Preference-Applied"
RESPOND_ASYNC: Final = "respond-async"


def prefers(request: Request[Any, Any, Any], preference: str) -> bool:
    """Whether a preference without a value is among those the client names; unknown ones are passed over."""
    values = ",".join(request.headers.getall(PREFER.lower(), []))
    named = (each.partition(";")[0].strip().lower() for each in values.split(","))
    return preference in named
