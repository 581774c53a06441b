"""Shops and keys from the command line: added, issued, listed, revoked, each refused where it must be."""

import re
from pathlib import Path
from subprocess import CompletedProcess
from uuid import UUID, uuid4

import pytest

from cotterline.store import key_text
from tests.command_line import run
from tests.shops import Shop


class Bench:
    """The command on one database."""

    def __init__(self, folder: Path, url: str) -> None:
        self._folder = folder
        self._url = url

    def __call__(self, *arguments: str) -> CompletedProcess[str]:
        """Run the command."""
        return run(*arguments, folder=self._folder, COTTERLINE_DATABASE_URL=self._url)

    def issue(self, *options: str) -> CompletedProcess[str]:
        """Issue a key labelled bench."""
        return self("key", "issue", "--label", "bench", "--scopes", "read,quote", *options)


@pytest.fixture
def bench(tmp_path: Path, database_url: str) -> Bench:
    return Bench(tmp_path, database_url)


def test_a_shop_is_added_and_stands_in_the_list(bench: Bench) -> None:
    made = bench("shop", "add", " Net loft ")
    assert UUID(made.stdout.strip()).version == 7
    assert bench("shop", "list").stdout.splitlines()[-1] == f"{made.stdout.strip()}  Net loft"


def test_a_key_is_shown_when_it_is_issued_and_never_again(bench: Bench, shop_a: Shop) -> None:
    issued = bench.issue("--shop", shop_a.name, "--mode", "test", "--expires", "2999-01-31")
    assert (issued.returncode, issued.stderr) == (0, "")
    text = issued.stdout.strip()
    told = key_text.read(text)
    assert told is not None
    assert told.mode == "test"
    listed = bench("key", "list", "--shop", str(shop_a.tenant.shop), "--mode", "test").stdout
    line = rf"^{told.id}  bench  read,quote  issued .*  expires 2999-01-31 00:00  never used\n"
    assert re.search(line, listed)
    assert text[-40:-8] not in listed
    assert str(told.id) not in bench("key", "list", "--shop", shop_a.name).stdout


def test_a_key_is_revoked_once_and_stays_in_the_list(bench: Bench, shop_a: Shop) -> None:
    told = key_text.read(bench.issue("--shop", shop_a.name).stdout.strip())
    assert told is not None
    first = bench("key", "revoke", "--shop", shop_a.name, str(told.id))
    assert re.search(rf"^{told.id}  .*  revoked ", first.stdout)
    assert bench("key", "revoke", "--shop", shop_a.name, str(told.id)).stdout == first.stdout
    assert first.stdout in bench("key", "list", "--shop", shop_a.name).stdout


def test_a_third_key_with_one_label_waits_until_one_is_revoked(bench: Bench, shop_a: Shop) -> None:
    made = [bench.issue("--shop", shop_a.name) for _ in range(3)]
    assert [each.returncode for each in made] == [0, 0, 1]
    assert made[2].stdout == ""
    assert "revoke one" in made[2].stderr
    told = key_text.read(made[0].stdout.strip())
    assert told is not None
    bench("key", "revoke", "--shop", shop_a.name, str(told.id))
    assert bench.issue("--shop", shop_a.name).returncode == 0


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        (("shop", "add", " "), 2, "1 to 100 characters"),
        (("shop", "add", "x" * 101), 2, "1 to 100 characters"),
        (("key", "issue", "--shop", "Lime kiln", "--label", "", "--scopes", "read"), 2, "1 to 100 characters"),
        (("key", "issue", "--shop", "Lime kiln", "--label", "a", "--scopes", "read,all"), 2, "all: scopes are read"),
        (("key", "issue", "--shop", "Lime kiln", "--label", "a", "--scopes", ""), 2, "scopes are read"),
        (
            ("key", "issue", "--shop", "Lime kiln", "--label", "a", "--scopes", "read", "--expires", "2020-01-01"),
            2,
            "lies in the past",
        ),
        (("key", "issue", "--shop", "nobody", "--label", "a", "--scopes", "read"), 1, "no shop is called 'nobody'"),
        (("key", "revoke", "--shop", "Lime kiln", str(uuid4())), 1, "has no key"),
        (("key", "revoke", "--shop", "Lime kiln", "x"), 2, "not a valid UUID"),
    ],
)
def test_what_cannot_be_done_is_refused_with_the_reason(
    bench: Bench, arguments: tuple[str, ...], status: int, words: str
) -> None:
    refused = bench(*arguments)
    assert (refused.returncode, refused.stdout) == (status, "")
    assert words in refused.stderr


def test_of_two_shops_with_one_name_the_id_chooses(bench: Bench) -> None:
    first, second = (bench("shop", "add", "Net loft").stdout.strip() for _ in range(2))
    refused = bench.issue("--shop", "Net loft")
    assert (refused.returncode, refused.stdout) == (1, "")
    assert "several shops" in refused.stderr
    assert bench.issue("--shop", first).returncode == 0
    assert bench("key", "list", "--shop", second).stdout == ""


def test_the_key_of_another_shop_cannot_be_revoked(bench: Bench, shop_a: Shop, shop_b: Shop) -> None:
    told = key_text.read(shop_a.key)
    assert told is not None
    assert bench("key", "revoke", "--shop", shop_b.name, str(told.id)).returncode == 1
    assert "revoked" not in bench("key", "list", "--shop", shop_a.name).stdout
