"""Conditional requests: a copy that is still right is not sent again, and nobody changes what he has not seen."""

from concurrent.futures import ThreadPoolExecutor
from typing import Any

import msgspec
import pytest
from litestar.testing import TestClient

from cotterline.api import examples
from cotterline.api.edge import Edge

Client = TestClient[Edge]
JOB: dict[str, Any] = msgspec.json.decode(examples.read("whole_job"))
MERGE = "application/merge-patch+json"


@pytest.fixture
def made(client: Client) -> tuple[str, str]:
    """Make a quote; gives its path and ETag."""
    answer = client.post("/v1/quotes", json=JOB)
    return answer.headers["location"], answer.headers["etag"]


@pytest.mark.parametrize("path", ["{quote}", "{quote}?derivation=true", "{quote}/revisions/1", "/v1/settings"])
def test_a_copy_that_is_still_right_is_not_sent_again(client: Client, made: tuple[str, str], path: str) -> None:
    path = path.replace("{quote}", made[0])
    first = client.get(path)
    tag = first.headers["etag"]
    assert tag.startswith('"')
    for known in (tag, f'"other", W/{tag}', "*"):
        again = client.get(path, headers={"If-None-Match": known})
        assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
    assert client.get(path, headers={"If-None-Match": '"other"'}).content == first.content
    for broken in ("other", tag.strip('"'), "", '"', "*, *"):
        assert client.get(path, headers={"If-None-Match": broken}).status_code == 400


CHANGES: dict[str, tuple[str, str, bytes, str]] = {
    "patch a quote": ("PATCH", "{quote}", b'{"reference":"hook 9"}', MERGE),
    "act on a quote": ("POST", "{quote}/transitions", b'{"action":"issue"}', "application/json"),
    "replace the settings": ("PUT", "/v1/settings", b'{"currency":"GBP"}', "application/json"),
    "change the settings": ("PATCH", "/v1/settings", b'{"currency":"GBP"}', MERGE),
}


def _tag(client: Client, path: str) -> str:
    return client.get(path.removesuffix("/transitions")).headers["etag"]


@pytest.mark.parametrize("name", CHANGES)
def test_a_change_must_name_the_version_it_changes(client: Client, made: tuple[str, str], name: str) -> None:
    method, path, body, kind = CHANGES[name]
    path = path.replace("{quote}", made[0])
    tag = _tag(client, path)

    def change(**headers: str) -> tuple[int, str]:
        named = {key.replace("_", "-"): value for key, value in headers.items()}
        answer = client.request(method, path, content=body, headers={"Content-Type": kind} | named)
        return answer.status_code, answer.json().get("type", "")

    assert change() == (428, "/problems/precondition-required")
    for other in ('"other"', f"W/{tag}", f'"other", W/{tag}'):
        assert change(If_Match=other) == (412, "/problems/precondition-failed")
    for broken in ("other", tag.strip('"'), "", '"', f"{tag} {tag}", "*, *"):
        assert change(If_Match=broken) == (400, "/problems/malformed-request")
    assert _tag(client, path) == tag
    assert change(If_Match=f'"other", {tag}')[0] == 200
    assert _tag(client, path) != tag
    assert change(If_Match=tag) == (412, "/problems/precondition-failed")


def test_an_asterisk_is_whatever_version_there_is(client: Client, made: tuple[str, str]) -> None:
    headers = {"Content-Type": MERGE, "If-Match": "*"}
    assert client.patch(made[0], content=b'{"reference":"a"}', headers=headers).status_code == 200
    nowhere = "/v1/quotes/01900000-0000-7000-8000-000000000000"
    assert client.patch(nowhere, content=b"{}", headers=headers).status_code == 404


@pytest.mark.parametrize("path", ["{quote}", "/v1/settings"])
def test_of_changes_to_one_version_at_the_same_time_one_takes_place(
    client: Client, made: tuple[str, str], path: str
) -> None:
    path = path.replace("{quote}", made[0])
    headers = {"Content-Type": MERGE, "If-Match": _tag(client, path)}
    members = [
        b'{"reference":"%d"}' % n if "quotes" in path else b'{"quote_valid_days":%d}' % (n + 1) for n in range(20)
    ]
    with ThreadPoolExecutor(20) as pool:
        answers = [*pool.map(lambda body: client.patch(path, content=body, headers=headers), members)]
    statuses = [answer.status_code for answer in answers]
    assert sorted(statuses) == [200] + [412] * 19
    assert client.get(path).json() == answers[statuses.index(200)].json()
