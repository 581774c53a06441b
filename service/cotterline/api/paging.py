"""Lists page by page: the parameters every list takes, and the link to its next page."""

from typing import Annotated
from urllib.parse import urlencode

from litestar.params import QueryParameter
from msgspec import UnsetType

MAX_LIMIT = 200
DEFAULT_LIMIT = 50

Limit = Annotated[int, QueryParameter(ge=1, le=MAX_LIMIT, description="Most entries to give.")]
Place = Annotated[
    str | None, QueryParameter(min_length=1, max_length=200, description="next_cursor of the page before.")
]


def next_page(address: str, cursor: str | UnsetType, **query: object) -> dict[str, str]:
    """The header that links to the next page, if there is one.

    >>> next_page("/v1/keys", "abc", limit=5)
    {'Link': '</v1/keys?limit=5&cursor=abc>; rel="next"'}
    """
    if isinstance(cursor, UnsetType):
        return {}
    given = {name: value for name, value in query.items() if value is not None} | {"cursor": cursor}
    return {"Link": f'<{address}?{urlencode(given)}>; rel="next"'}
