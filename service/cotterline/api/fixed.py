"""Content that does not change while the service runs: bytes with an entity tag (RFC 9110, section 8.8.3)."""

import hashlib
from collections.abc import Mapping
from typing import Any

from litestar import Request, Response

from cotterline.api.conditions import is_current

_NOT_MODIFIED = 304


class Fixed:
    """Bytes with a media type; answers a conditional request without sending them again.

    >>> Fixed(b"a", "text/plain").etag
    '"ca978112ca1bbdcafac231b39a23dc4d"'
    """

    def __init__(self, content: bytes, media_type: str, headers: Mapping[str, str] | None = None) -> None:
        self.content = content
        self.media_type = media_type
        self.etag = f'"{hashlib.sha256(content).hexdigest()[:32]}"'
        self.headers = {"ETag": self.etag, "Cache-Control": "no-cache", **(headers or {})}

    def answer(self, request: Request[Any, Any, Any]) -> Response[bytes]:
        """Answer with the whole content, or 304 where the client's copy is the same.

        Raises:
            RequestRefusedError: ``malformed-request`` where ``If-None-Match`` is no list of entity tags.
        """
        if is_current(request, self.etag):
            return Response(b"", status_code=_NOT_MODIFIED, headers=self.headers)
        return Response(self.content, headers=self.headers, media_type=self.media_type)
