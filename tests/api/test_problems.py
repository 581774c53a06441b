"""Every refusal and failure is a problem document (RFC 9457) of a type this service explains."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import get_args
from uuid import UUID

import pytest
from litestar import get
from litestar.exceptions import HTTPException, ImproperlyConfiguredException
from litestar.params import FromPath
from litestar.testing import TestClient
from sqlalchemy.exc import InterfaceError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError

from cotterline.api.edge import Edge
from cotterline.api.problems import PROBLEMS
from cotterline.bench.errors import Code, CotterlineError, Fault
from cotterline.main import create_app
from cotterline.settings import Settings

Shell = Callable[..., AbstractContextManager[TestClient[Edge]]]


def test_every_code_of_the_core_has_a_status_and_a_title() -> None:
    assert set(get_args(Code)) <= set(PROBLEMS)


def test_codes_of_one_status_stand_together() -> None:
    statuses = [kind.status for kind in PROBLEMS.values()]
    assert statuses == sorted(statuses)


RAISED = [
    (CotterlineError("impossible-value", "no", [Fault("/a", "b")]), 422, "impossible-value"),
    (CotterlineError("not-found", "no such quote"), 404, "not-found"),
    (CotterlineError("bad-cursor", "no"), 422, "bad-cursor"),
    (HTTPException(status_code=400), 400, "malformed-request"),
    (HTTPException(status_code=418), 500, "internal-error"),
    (ImproperlyConfiguredException("secret"), 500, "internal-error"),
    (RuntimeError("secret"), 500, "internal-error"),
    (KeyError("secret"), 500, "internal-error"),
    (RecursionError("secret"), 500, "internal-error"),
    (ConnectionRefusedError("secret"), 503, "unavailable"),
    (PoolTimeoutError("secret"), 503, "unavailable"),
    (OperationalError("secret", None, Exception("secret")), 503, "unavailable"),
    (InterfaceError("secret", None, Exception("secret")), 503, "unavailable"),
]


@pytest.mark.parametrize(("error", "status", "code"), RAISED, ids=repr)
def test_an_exception_becomes_a_problem_that_gives_nothing_away(
    shell: Shell, error: Exception, status: int, code: str
) -> None:
    @get("/raise")
    async def fail() -> None:
        raise error

    with shell(fail) as client:
        response = client.get("/raise")
    document = response.json()
    assert response.status_code == document["status"] == status
    assert response.headers["content-type"] == "application/problem+json"
    assert (document["type"], document["title"]) == (f"/problems/{code}", PROBLEMS[code].title)
    assert document["instance"] == f"urn:uuid:{response.headers['x-request-id']}"
    assert "secret" not in response.text
    assert ("retry-after" in response.headers) == (status == 503)


def test_the_faults_of_the_core_are_told_with_their_pointers(shell: Shell) -> None:
    @get("/raise")
    async def fail() -> None:
        raise CotterlineError("impossible-value", "no", [Fault("/a/0", "too wide"), Fault("/b", "too old")])

    with shell(fail) as client:
        assert client.get("/raise").json()["errors"] == [
            {"pointer": "/a/0", "detail": "too wide"},
            {"pointer": "/b", "detail": "too old"},
        ]


@pytest.mark.parametrize("text", ["x", "%00", "%ff", "%D9%A3", "123", "..", "a" * 3000, "{}"])
def test_text_in_the_place_of_an_identifier_is_nothing_there_and_no_failure(shell: Shell, text: str) -> None:
    """Litestar answers some of these with 500."""

    @get(["/things/{thing:uuid}", "/sums/{thing:decimal}"])
    async def read(thing: FromPath[UUID]) -> None:
        raise AssertionError(thing)

    with shell(read) as client:
        assert client.get(f"/things/{text}").json()["type"] == "/problems/not-found"


def test_a_host_that_is_none_is_malformed(bench: TestClient[Edge]) -> None:
    response = bench.get("/health/live", headers={"host": "a b"})
    assert (response.status_code, response.json()["type"]) == (400, "/problems/malformed-request")


def test_a_database_that_went_away_is_unavailable_and_says_when_to_come_back(tmp_path: Path) -> None:
    settings = Settings(database_url=f"sqlite:///{tmp_path / 'empty.sqlite3'}")
    with TestClient(create_app(settings), raise_server_exceptions=False) as client:
        response = client.get("/health/ready")  # the file has no tables
        assert client.get("/health/live").status_code == 200
    assert (response.status_code, response.json()["type"]) == (503, "/problems/unavailable")
    assert response.headers["retry-after"] == "5"
