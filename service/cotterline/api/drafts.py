"""Names out of Internet-Drafts. They may still change, so they stand here alone, each with the draft's version."""

from typing import Final

RATE_LIMIT: Final = "RateLimit"
RATE_LIMIT_POLICY: Final = "RateLimit-Policy"
QUOTA: Final = "q"
WINDOW: Final = "w"
REMAINING: Final = "r"
EFFECTIVE_WINDOW: Final = "t"
"""draft-ietf-httpapi-ratelimit-headers-11 (2026), sections 3 and 4: Lists of Strings with parameters (RFC 9651)."""
