"""The installed commands try a partner's program over real sockets, say what is wrong, and tell it by their status."""

import asyncio
import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from aiohttp import web

from cotterline.partner_kit.callback_checks import CALLBACK_CHECKS
from cotterline.partner_kit.receiver_checks import RECEIVER_CHECKS
from tests.command_line import free_port, run
from tests.partner_kit.programs import REPLY_SECRET, SECRET, Program, Receiver, Supplier

OPEN = ("--secret-file", "-", "--open-network", "127.0.0.0/8", "--pause", "0")


@contextmanager
def serving(program: Program) -> Iterator[str]:
    """Serve a program in a thread while the block runs, and give its address."""
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever, daemon=True)
    thread.start()

    async def start() -> tuple[web.AppRunner, str]:
        runner = web.AppRunner(program.application())
        await runner.setup()
        await web.TCPSite(runner, "127.0.0.1", 0).start()
        return runner, f"http://127.0.0.1:{runner.addresses[0][1]}/"

    runner, address = asyncio.run_coroutine_threadsafe(start(), loop).result()
    yield address
    asyncio.run_coroutine_threadsafe(runner.cleanup(), loop).result()
    loop.call_soon_threadsafe(loop.stop)
    thread.join()
    loop.close()


def test_a_right_program_passes(tmp_path: Path) -> None:
    for command, program in (("check-receiver", Receiver()), ("check-supplier", Supplier())):
        with serving(program) as address:
            said = run(command, address, *OPEN, folder=tmp_path, stdin=SECRET)
        assert (said.returncode, said.stderr) == (0, "")
        assert said.stdout.endswith("25 checks: 0 wrong, 0 could be better.\n")


def test_a_wrong_receiver_is_told_what_is_wrong_and_how_to_mend_it(tmp_path: Path) -> None:
    with serving(Receiver("heeds no time")) as address:
        said = run("check-receiver", address, *OPEN, folder=tmp_path, stdin=SECRET)
        told = run("check-receiver", address, *OPEN, "--json", "--only", "stale", folder=tmp_path, stdin=SECRET)
    assert said.returncode == told.returncode == 1
    assert "wrong  stale" in said.stdout
    assert "204, so it was believed" in said.stdout
    assert "Refuse what is more than five minutes old." in said.stdout
    assert said.stdout.endswith("25 checks: 2 wrong, 0 could be better.\n")
    (only,) = json.loads(told.stdout)
    assert (only["name"], only["must"], only["source"]) == ("stale", True, "Standard Webhooks 1.0")


def test_a_supplier_that_calls_back_is_tried_with_that_too(tmp_path: Path) -> None:
    (tmp_path / "reply-secret").write_text(REPLY_SECRET)
    for fault, status in (("", 0), ("names each try anew", 1)):
        replies = ("--replies-to", f"http://127.0.0.1:{free_port()}", "--reply-secret-file", "reply-secret")
        wanted = [part for each in CALLBACK_CHECKS for part in ("--only", each.name)]
        with serving(Supplier(fault)) as address:
            said = run(
                "check-supplier", address, *OPEN, *replies, "--wait", "2", *wanted, folder=tmp_path, stdin=SECRET
            )
        assert (said.returncode, said.stderr) == (status, ""), said.stdout
        assert said.stdout.endswith(f"6 checks: {status} wrong, 0 could be better.\n")


@pytest.mark.parametrize("place", ["https://127.0.0.1:80", "http://127.0.0.1", "http://h:1/path", "http://h:99999"])
def test_a_place_for_replies_that_cannot_be_listened_at_is_refused(place: str, tmp_path: Path) -> None:
    said = run("check-supplier", "http://127.0.0.1:9/", *OPEN, "--replies-to", place, folder=tmp_path, stdin=SECRET)
    assert (said.returncode, "http://HOST:PORT" in said.stderr) == (2, True)


def test_what_is_no_must_does_not_count(tmp_path: Path) -> None:
    with serving(Supplier("stumbles")) as address:
        said = run("check-supplier", address, *OPEN, "--only", "unknown-part", folder=tmp_path, stdin=SECRET)
    assert said.returncode == 0
    assert said.stdout.startswith("better unknown-part  500\n")


def test_this_machine_is_not_posted_to_unless_that_is_said(tmp_path: Path) -> None:
    program = Receiver()
    with serving(program) as address:
        said = run("check-receiver", address, "--secret-file", "-", folder=tmp_path, stdin=SECRET)
    assert said.returncode == 1
    assert said.stdout.rstrip().endswith("--open-network, for this machine 127.0.0.0/8.")
    assert program.begun == set()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--secret-file", "-"), "a signing secret begins with whsec_"),
        (("--open-network", "everywhere", *OPEN[:2]), "--open-network"),
        (("--only", "nothing"), "nothing"),
    ],
)
def test_options_that_cannot_be_used_are_refused(options: tuple[str, ...], words: str, tmp_path: Path) -> None:
    secret = SECRET if "--open-network" in options else "open sesame"
    said = run("check-receiver", "http://127.0.0.1:9/", *options, folder=tmp_path, stdin=secret)
    assert said.returncode == 2
    assert words in said.stderr
    assert secret not in said.stderr


def test_the_list_says_what_is_tried(tmp_path: Path) -> None:
    said = run("check-receiver", "--list", folder=tmp_path)
    assert [line.partition(":")[0] for line in said.stdout.splitlines()] == [each.name for each in RECEIVER_CHECKS]
