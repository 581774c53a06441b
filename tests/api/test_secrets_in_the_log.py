"""Nothing a client sends finds its way into the log, whatever becomes of the request, at the most talkative level."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.command_line import environment
from tests.shops import Shop

SECRET = "kXq7-engraved-for-ada"  # noqa: S105 - invented
TOKEN = "a-scraper-shows-this"  # noqa: S105 - invented

PROGRAM = """
import json, logging, os, sys
from litestar import post
from litestar.params import FromPath, RawBody
from litestar.testing import TestClient
from cotterline import logs, main
from cotterline.settings import from_environment

@post("/faults/{name:str}", opt={"scope": None})
async def fail(body: RawBody, name: FromPath[str]) -> None:
    raise RuntimeError(f"could not store {body!r} for {name}")

main.ROUTES = (*main.ROUTES, fail)
settings = from_environment(os.environ)
logs.write_json(settings.log_level)
for client_side in ("httpx", "httpcore", "asyncio"):
    logging.getLogger(client_side).setLevel("ERROR")
with TestClient(main.create_app(settings), raise_server_exceptions=False) as client:
    for method, path, headers, body in json.loads(sys.stdin.read()):
        client.request(method, path, headers=headers, content=body)
"""


def requests(key: str) -> list[tuple[str, str, dict[str, str], str, int]]:
    """Requests that pass, are refused or fail, each with the secret where a client can put one, and their status."""
    said = {"X-Note": SECRET, "User-Agent": SECRET, "Cookie": f"a={SECRET}", "traceparent": SECRET}
    good = said | {
        "Authorization": f"Bearer {key}",
        "Content-Type": "application/json",
        "Idempotency-Key": f'"{SECRET}"',
    }
    evidence = [{"kind": "stamp", "side": "drive", "text": SECRET}]
    whole = json.dumps({"reference": SECRET, "evidence": evidence})
    return [
        ("POST", "/v1/quotes", good, whole, 201),
        ("POST", "/v1/thread-verdicts", good, json.dumps({"evidence": evidence}), 200),
        ("POST", "/v1/quotes", good, f'{{"reference": "{SECRET}"', 400),
        ("POST", "/v1/quotes", good, json.dumps({SECRET: SECRET}), 422),
        ("POST", "/v1/quotes", good | {"Content-Type": SECRET}, whole, 415),
        ("POST", "/v1/quotes", good | {"Content-Encoding": SECRET}, whole, 415),
        ("GET", f"/v1/quotes?cursor={SECRET}", good, "", 422),
        ("GET", f"/v1/quotes?{SECRET}={SECRET}", good, "", 422),
        ("GET", f"/v1/quotes/{SECRET}", good, "", 404),
        ("GET", f"/{SECRET}/{SECRET}?{SECRET}", said, "", 404),
        ("DELETE", "/v1/quotes", said, whole, 405),
        ("POST", "/v1/quotes", said | {"Authorization": f"Bearer {SECRET}"}, whole, 401),
        ("POST", "/v1/quotes", said | {"Authorization": f"Bearer {key[:-1]}"}, whole, 401),
        ("GET", "/metrics", said | {"Authorization": f"Bearer {SECRET}"}, "", 401),
        ("GET", "/metrics", said | {"Authorization": f"Bearer {TOKEN}"}, "", 200),
        ("POST", f"/faults/{SECRET}", said, whole, 500),
        ("GET", f"/v1/quotes/{'a' * 9000}{SECRET}", good, "", 414),
        ("GET", "/health/live", said | {"X-Large": SECRET * 3000}, "", 431),
    ]


def logged(database_url: str, folder: Path, key: str, level: str) -> str:
    settings = {"DATABASE_URL": database_url, "LOG_LEVEL": level, "METRICS_TOKEN": TOKEN}
    env = environment(**{f"COTTERLINE_{name}": value for name, value in settings.items()})
    sent = json.dumps([request[:4] for request in requests(key)])
    done = subprocess.run(  # noqa: S603 - our own words
        [sys.executable, "-c", PROGRAM], cwd=folder, env=env, input=sent, capture_output=True, text=True, check=True
    )
    assert done.stderr == ""
    return done.stdout


@pytest.mark.parametrize("level", ["debug", "info"])
def test_no_line_holds_a_body_a_query_a_path_a_header_or_a_secret(
    database_url: str, shop_a: Shop, tmp_path: Path, level: str
) -> None:
    text = logged(database_url, tmp_path, shop_a.key, level)
    lines: list[dict[str, Any]] = [json.loads(line) for line in text.splitlines()]
    told = [line for line in lines if line["event"] == "request"]
    assert [line["status"] for line in told] == [request[4] for request in requests(shop_a.key)]
    assert [line["event"] for line in lines if line["level"] == "error"] == ["request failed"]
    secret_of_the_key = shop_a.key.rpartition("_")[2]
    for word in (SECRET, TOKEN, shop_a.key, secret_of_the_key, secret_of_the_key[:-1]):
        assert word not in text


def test_a_line_names_the_key_and_the_shop_once_they_are_known(database_url: str, shop_a: Shop, tmp_path: Path) -> None:
    text = logged(database_url, tmp_path, shop_a.key, "info")
    told = [line for line in map(json.loads, text.splitlines()) if line["event"] == "request"]
    for line, (_, _, headers, _, status) in zip(told, requests(shop_a.key), strict=True):
        known = headers.get("Authorization") == f"Bearer {shop_a.key}" and status != 414
        assert line.get("shop") == (str(shop_a.tenant.shop) if known and line["route"] else None)
        assert ("key_id" in line) == (known and line["route"] is not None)
