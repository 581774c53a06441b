"""Names out of Internet-Drafts. They may still change, so they stand here alone, each with the draft's version."""

from typing import Final

IDEMPOTENCY_KEY: Final = "Idempotency-Key"
"""draft-ietf-httpapi-idempotency-key-header-08 (2026), section 2: a String (RFC 9651)."""

RATE_LIMIT_DRAFT: Final = "draft-ietf-httpapi-ratelimit-headers-11"
RATE_LIMIT: Final = "RateLimit"
RATE_LIMIT_POLICY: Final = "RateLimit-Policy"
QUOTA: Final = "q"
WINDOW: Final = "w"
REMAINING: Final = "r"
EFFECTIVE_WINDOW: Final = "t"
"""Sections 3 and 4 of that draft (2026): Lists of Strings with parameters (RFC 9651)."""

UPLOAD_DRAFT: Final = "draft-ietf-httpbis-resumable-upload-11"
PARTIAL_UPLOAD: Final = "application/partial-upload"
UPLOAD_OFFSET: Final = "Upload-Offset"
UPLOAD_COMPLETE: Final = "Upload-Complete"
"""Sections 4 and 6 of that draft (2026): an Integer and a Boolean (RFC 9651). The version is from memory."""
