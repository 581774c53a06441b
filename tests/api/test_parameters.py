"""Litestar ignores unknown parameters, takes one of several and reads "yes" as true; these hold the strict reading."""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from typing import Annotated, Any

import httpx
import pytest
from litestar import get
from litestar.params import QueryParameter
from litestar.testing import TestClient

from cotterline.api.edge import Edge
from cotterline.bench.quantity import Unit

Query = Callable[[str], httpx.Response]
Shell = Callable[..., AbstractContextManager[TestClient[Edge]]]


@get("/lists")
async def read(
    limit: Annotated[int, QueryParameter(ge=1, le=200)] = 50,
    cursor: Annotated[str | None, QueryParameter(max_length=8)] = None,
    units: Annotated[Unit, QueryParameter()] = "mm",
    full: Annotated[bool, QueryParameter()] = False,  # noqa: FBT002 - a query parameter
) -> dict[str, Any]:
    """Give the parameters back."""
    return {"limit": limit, "cursor": cursor, "units": units, "full": full}


@pytest.fixture
def query(shell: Shell) -> Iterator[Query]:
    """Ask with a raw query."""
    with shell(read) as client:
        yield lambda raw: client.get(f"/lists?{raw}")


def test_parameters_arrive_typed(query: Query) -> None:
    assert query("limit=7&cursor=a%20b&units=in&full=true").json() == {
        "limit": 7,
        "cursor": "a b",
        "units": "in",
        "full": True,
    }
    assert query("").json() == {"limit": 50, "cursor": None, "units": "mm", "full": False}


@pytest.mark.parametrize(
    ("raw", "named"),
    [
        ("limt=7", ["limt"]),
        ("limit=7&limit=8", ["limit"]),
        ("limit=0", ["limit"]),
        ("limit=201", ["limit"]),
        ("limit=", ["limit"]),
        ("limit=1.0", ["limit"]),
        ("limit=+1", ["limit"]),
        ("limit=%201", ["limit"]),
        ("limit=1_0", ["limit"]),
        ("limit=%D9%A3", ["limit"]),
        ("limit=1e1", ["limit"]),
        ("limit=" + "9" * 500, ["limit"]),
        ("full=yes", ["full"]),
        ("full=1", ["full"]),
        ("full=True", ["full"]),
        ("full", ["full"]),
        ("units=cm", ["units"]),
        ("cursor=123456789", ["cursor"]),
        ("cursor=a%00b", ["cursor"]),
        ("limit=x&full=x&other=", ["other", "limit", "full"]),
    ],
)
def test_a_parameter_not_understood_is_refused_by_name(query: Query, raw: str, named: list[str]) -> None:
    response = query(raw)
    assert response.status_code == 422
    assert response.json()["type"] == "/problems/invalid-parameter"
    assert [error["parameter"] for error in response.json()["errors"]] == named
    assert all(error["detail"] for error in response.json()["errors"])


@pytest.mark.parametrize("raw", ["limit=%ff", "%ff=1", "cursor=%ed%a0%80"])
def test_a_query_that_is_not_utf_8_is_malformed(query: Query, raw: str) -> None:
    response = query(raw)
    assert response.status_code == 400
    assert response.json()["type"] == "/problems/malformed-request"
