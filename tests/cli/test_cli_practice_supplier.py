"""The practice supplier as an operator runs it: it takes a signed order, replies, and stops on a signal."""

import http.client
import signal
import subprocess
import time
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from threading import Thread

import msgspec
import pytest

from cotterline.bench.replies import Accepted, Reply
from cotterline.delivery.signatures import signed, verified
from cotterline.practice_supplier.rules import REPLY_SECRET, SIGNING_SECRET
from tests.command_line import COMMAND, SECONDS, ask, environment, free_port, run
from tests.practice_supplier.orders import order


class Listener(BaseHTTPRequestHandler):
    """Keeps the replies that are genuine."""

    heard: list[Reply]

    def do_POST(self) -> None:
        """Take one reply."""
        body = self.rfile.read(int(self.headers["Content-Length"]))
        headers = {name.lower(): value for name, value in self.headers.items()}
        verified([REPLY_SECRET], headers, body, datetime.now(UTC))
        self.heard.append(msgspec.json.decode(body, type=Reply))
        self.send_response(202)
        self.end_headers()

    def log_message(self, *_: object) -> None:
        """Say nothing."""


def wait_until_there(process: subprocess.Popen[bytes], port: int) -> None:
    until = time.monotonic() + SECONDS
    while True:
        try:
            assert ask(port, "GET", "/")[0] == 200
        except OSError:
            assert process.poll() is None, process.communicate()[0].decode()
            assert time.monotonic() < until
            time.sleep(0.05)
        else:
            return


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_an_order_posted_to_the_command_is_replied_to_and_a_signal_ends_it(
    tmp_path: Path, number: signal.Signals
) -> None:
    class Own(Listener):
        """Has a list of its own."""

        heard: list[Reply] = []  # noqa: RUF012 - the handler's class is all that outlives a request

    server = HTTPServer(("127.0.0.1", 0), Own)
    thread = Thread(target=server.handle_request)
    thread.start()
    port = free_port()
    command = [*COMMAND, "practice-supplier", "--port", str(port), "--pace", "0.05"]
    with subprocess.Popen(  # noqa: S603 - this very program
        command, cwd=tmp_path, env=environment(), stdout=subprocess.PIPE, stderr=subprocess.STDOUT
    ) as process:
        try:
            wait_until_there(process, port)
            body = msgspec.json.encode(order(reply_to=f"http://127.0.0.1:{server.server_port}/callbacks"))
            connection = http.client.HTTPConnection("127.0.0.1", port, timeout=SECONDS)
            connection.request("POST", "/orders", body, signed([SIGNING_SECRET], "msg_1", datetime.now(UTC), body))
            assert connection.getresponse().status == 202
            connection.close()
            thread.join(SECONDS)
            assert [type(each) for each in Own.heard[0].says] == [Accepted]
            process.send_signal(number)
            output, _ = process.communicate(timeout=SECONDS)
        finally:
            process.kill()
            server.server_close()
    assert process.returncode == 0
    assert b"Traceback" not in output
    assert SIGNING_SECRET.encode() not in output


def test_a_pace_that_is_none_is_refused(tmp_path: Path) -> None:
    refused = run("practice-supplier", "--pace", "-1", folder=tmp_path)
    assert refused.returncode == 2
    assert "--pace" in refused.stderr
