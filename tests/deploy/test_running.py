"""The proxy's configuration and the expressions of alerts and dashboard, tried with the real programs."""

import http.client
import json
import re
import shutil
import socket
import ssl
import subprocess
import sys
import time
import urllib.parse
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import yaml

from tests.command_line import free_port
from tests.deploy.test_files import DEPLOY, found
from tests.serving import Served, serving

TOKEN = "a-scraper-shows-this"  # noqa: S105 - invented
SECONDS = 30
LINE = b'{"evidence":[{"kind":"old_crank","crank":"cottered"}]}\n'


@contextmanager
def started(*command: str, port: int, folder: Path) -> Iterator[None]:
    """Run a program while the block runs, from when it listens."""
    with (folder / "log").open("wb") as log:
        running = subprocess.Popen(command, cwd=folder, stdout=log, stderr=log)  # noqa: S603 - found above
    try:
        deadline = time.monotonic() + SECONDS
        while True:
            try:
                socket.create_connection(("127.0.0.1", port), 1).close()
                break
            except OSError:
                assert running.poll() is None, (folder / "log").read_text()
                assert time.monotonic() < deadline
                time.sleep(0.05)
        yield
    finally:
        running.terminate()
        running.wait(SECONDS)


@contextmanager
def behind_the_proxy(served: Served, folder: Path) -> Iterator[tuple[int, int, ssl.SSLContext]]:
    """Serve through nginx as it is configured, on free ports and with a certificate made for this."""
    plain, tls = free_port(), free_port()
    key, certificate = folder / "privkey.pem", folder / "fullchain.pem"
    made = ("openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=bench.example")
    named = ("-addext", "subjectAltName=DNS:localhost", "-keyout", str(key), "-out", str(certificate))
    subprocess.run([found("openssl", "openssl"), *made[1:], *named], check=True, capture_output=True)  # noqa: S603 - a tool
    text = (DEPLOY / "reverse-proxy/nginx.conf").read_text("utf-8")
    for old, new in (
        ("listen 80;", f"listen 127.0.0.1:{plain};"),
        ("listen 443 ssl;", f"listen 127.0.0.1:{tls} ssl;"),
        ("server 127.0.0.1:8000;", f"server {served.address.removeprefix('http://')};"),
        ("    server 127.0.0.1:8001;\n", ""),
        ("/etc/cotterline/tls", str(folder)),
        ("/var/log/nginx/cotterline.log", str(folder / "access.log")),
        ("http {", f"http {{ client_body_temp_path {folder}/body; proxy_temp_path {folder}/kept;"),
    ):
        assert text.count(old) >= 1, old
        text = text.replace(old, new)
    (folder / "nginx.conf").write_text(f"daemon off; pid {folder}/pid; error_log stderr;\n" + text)
    trusted = ssl.create_default_context(cafile=str(certificate))
    command = (found("nginx", "nginx"), "-c", str(folder / "nginx.conf"), "-p", str(folder))
    with started(*command, port=tls, folder=folder):
        yield plain, tls, trusted


def test_the_proxy_ends_tls_and_keeps_nothing_back(tmp_path: Path) -> None:
    settings: dict[str, Any] = {"metrics_token": TOKEN, "public_base_url": "https://bench.example"}
    with serving(tmp_path, **settings) as served, behind_the_proxy(served, tmp_path) as (plain, tls, trusted):
        over_http = httpx.get(f"http://127.0.0.1:{plain}/docs?x=1", headers={"Host": "bench.example"})
        assert (over_http.status_code, over_http.headers["location"]) == (308, "https://bench.example/docs?x=1")
        with httpx.Client(base_url=f"https://localhost:{tls}", verify=trusted) as client:
            live = client.get("/health/live")
            assert (live.status_code, live.headers["strict-transport-security"]) == (200, "max-age=31536000")
            assert client.get("/metrics", headers={"Authorization": f"Bearer {TOKEN}"}).status_code == 404
        wire = http.client.HTTPSConnection("localhost", tls, context=trusted, timeout=SECONDS)
        wire.putrequest("POST", "/v1/quotes/stream")
        for name, value in (
            ("Authorization", f"Bearer {served.key}"),
            ("Content-Type", "application/x-ndjson"),
            ("Transfer-Encoding", "chunked"),
        ):
            wire.putheader(name, value)
        wire.endheaders()
        assert wire.sock is not None
        answered = wire.sock.makefile("rb")
        for number in range(1, 4):  # the next is not sent before the last was answered: nobody keeps anything back
            wire.send(b"%x\r\n%s\r\n" % (len(LINE), LINE))
            while not (line := answered.readline()).startswith(b'{"place":"line %d"' % number):
                assert line, (tmp_path / "log").read_text()
        wire.send(b"0\r\n\r\n")
        while b'"complete":true' not in (line := answered.readline()):
            assert line, (tmp_path / "log").read_text()
        wire.close()
    logged = (tmp_path / "access.log").read_text()
    assert "x=1" not in logged
    assert served.key not in logged


def test_the_images_health_check_tells_whether_a_process_lives(tmp_path: Path) -> None:
    text = (DEPLOY / "Containerfile").read_text("utf-8")
    (command,) = re.findall(r'HEALTHCHECK [^\[]*CMD (\["python".*\])', text)
    (interpreter, *arguments) = json.loads(command)
    assert interpreter == "python"

    def health(port: int) -> int:
        there = [each.replace(":8000/", f":{port}/") for each in arguments]
        assert there != arguments
        run = [sys.executable, *there]
        return subprocess.run(run, stderr=subprocess.DEVNULL, timeout=SECONDS, check=False).returncode  # noqa: S603 - our own

    with serving(tmp_path) as served:
        port = int(served.address.rpartition(":")[2])
        assert health(port) == 0
    assert health(port) == 1


def expressions() -> list[str]:
    """Every expression of the dashboard and of the alerts."""
    panels = json.loads((DEPLOY / "grafana/dashboard.json").read_text("utf-8"))["panels"]
    (group,) = yaml.safe_load((DEPLOY / "prometheus/rules.yaml").read_text("utf-8"))["groups"]
    shown = [target["expr"].replace("$__rate_interval", "1m") for panel in panels for target in panel["targets"]]
    return shown + [rule["expr"] for rule in group["rules"]]


def asked(port: int, expression: str) -> list[Any]:
    query = urllib.parse.urlencode({"query": expression})
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/api/v1/query?{query}", timeout=SECONDS) as answer:
        told = json.load(answer)
    assert told["status"] == "success", expression
    result: list[Any] = told["data"]["result"]
    return result


def test_what_is_watched_is_what_a_service_counts(tmp_path: Path) -> None:
    port = free_port()
    with serving(tmp_path, metrics_token=TOKEN) as served:
        for _ in range(3):
            httpx.get(f"{served.address}/v1/quotes", headers={"Authorization": f"Bearer {served.key}"})
        shown = httpx.get(f"{served.address}/metrics", headers={"Authorization": f"Bearer {TOKEN}"}).text
        counted = {*re.findall(r"^([a-z_]+)[ {]", shown, flags=re.MULTILINE)} | {"up"}
        counted |= {*re.findall(r"^# TYPE ([a-z_]+)", shown, flags=re.MULTILINE)}
        for expression in expressions():
            for name in re.findall(r"\b(?:cotterline|process)_[a-z_]+", expression):
                assert name in counted or name.removesuffix("_total") in counted, name
        config = yaml.safe_load((DEPLOY / "prometheus/one-machine.yaml").read_text("utf-8"))
        (job,) = config["scrape_configs"]
        job["static_configs"] = [{"targets": [served.address.removeprefix("http://")]}]
        (tmp_path / "prometheus.yaml").write_text(json.dumps(config | {"global": {"scrape_interval": "1s"}}))
        (tmp_path / "metrics-token").write_text(TOKEN)
        shutil.copy(DEPLOY / "prometheus/rules.yaml", tmp_path)
        listen = f"--web.listen-address=127.0.0.1:{port}"
        kept = f"--storage.tsdb.path={tmp_path}/kept"
        command = (found("prometheus", "prometheus"), f"--config.file={tmp_path}/prometheus.yaml", listen, kept)
        with started(*command, port=port, folder=tmp_path):
            deadline = time.monotonic() + SECONDS
            while httpx.get(f"http://127.0.0.1:{port}/-/ready").status_code != 200:  # it listens before it answers
                assert time.monotonic() < deadline
                time.sleep(0.1)
            while len(asked(port, "cotterline_http_requests_total[20s]")) < 1 or not asked(port, "up == 1"):
                assert time.monotonic() < deadline
                time.sleep(0.2)
            for expression in expressions():
                asked(port, expression)
            for seen in (
                "max(cotterline_deliveries_due)",
                "cotterline_runs_open == 0",
                'cotterline_workers{work="runs"} == 1',
            ):
                assert asked(port, seen), seen
