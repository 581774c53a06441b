"""Bicycles from a file: every form gives the same quotes, and a bad one is named while the others go on."""

import os
import pty
import subprocess
import sys
from pathlib import Path

import msgspec
import pytest

import cotterline
from cotterline.bench.derivation import Trace
from cotterline.bench.quotes import QuoteRequest, QuoteResult, quote
from cotterline.bench.workshop import Workshop
from cotterline.main import openapi_document
from tests.command_line import COMMAND, FIXTURES, SECONDS, environment, run

BIKES = msgspec.json.decode((FIXTURES / "bikes.json").read_bytes(), type=list[msgspec.Raw])
WIDTH = '{"evidence":[{"kind":"shell_width","reading":{"value":68}}]}'


class Line(msgspec.Struct):
    """One line of ``--as json-lines``."""

    place: str
    result: QuoteResult
    reference: str = ""


def lines(output: str) -> list[Line]:
    return [msgspec.json.decode(line, type=Line) for line in output.splitlines()]


def test_every_form_of_the_same_bicycles_gives_the_quotes_of_the_core(tmp_path: Path) -> None:
    compact = b"\n".join(msgspec.json.encode(msgspec.json.decode(bike)) for bike in BIKES)
    (tmp_path / "bikes.jsonl").write_bytes(compact)
    requests = [msgspec.json.decode(bike, type=QuoteRequest) for bike in BIKES]
    expected = [quote(request, Workshop(), Trace(wanted=False)) for request in requests]
    for file in (FIXTURES / "bikes.json", FIXTURES / "bikes.csv", tmp_path / "bikes.jsonl"):
        done = run("quote", str(file), "--as", "json-lines", folder=tmp_path)
        assert (done.returncode, done.stderr) == (0, f"{len(BIKES)} quoted, 0 refused.\n")
        found = lines(done.stdout)
        assert [line.result for line in found] == expected
        assert [line.reference for line in found] == [request.reference for request in requests]


def test_one_bicycle_is_read_from_standard_input_and_printed_for_a_mechanic(tmp_path: Path) -> None:
    done = run("quote", "-", folder=tmp_path, stdin=bytes(BIKES[0]).decode())
    assert done.returncode == 0
    assert "ISO/English, 68 mm" in done.stdout
    assert "113 (110, 115)" in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 80


def test_bad_bicycles_are_named_on_standard_error_and_the_others_go_on(tmp_path: Path) -> None:
    rows = [WIDTH, WIDTH.replace("68", "300"), "{", "", WIDTH.replace("value", "size"), WIDTH]
    done = run("quote", "-", "--as", "json-lines", folder=tmp_path, stdin="\n".join(rows))
    assert done.returncode == 1
    assert [line.place for line in lines(done.stdout)] == ["line 1", "line 6"]
    wide, broken, unknown, missing, counts = done.stderr.splitlines()
    assert wide.startswith("line 2: /evidence/0/reading/value: ")
    assert "300" in wide
    assert broken.startswith("line 3: is not well-formed JSON")
    assert unknown == "line 5: /evidence/0/reading/size: is not a known field"
    assert missing == "line 5: /evidence/0/reading/value: is required"
    assert counts == "2 quoted, 3 refused."


def test_a_bad_row_of_a_table_is_named_by_row_and_column(tmp_path: Path) -> None:
    (tmp_path / "bikes.csv").write_text('reference,shell_width\nred,"67,5"\nblue,300\ngreen,68\n')
    done = run("quote", "bikes.csv", folder=tmp_path)
    assert done.returncode == 1
    comma, wide, counts = done.stderr.splitlines()
    assert comma == "row 2 (red): shell_width: 67,5 has a decimal comma: write 67.5"
    assert wide.startswith("row 3 (blue): shell_width: a shell's width must be 60 to 110 mm")
    assert counts == "1 quoted, 2 refused."
    assert "green" in done.stdout


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("bikes.csv", b"reference,shell_widht\nred,68\n", "'shell_widht'; shell_width is one"),
        ("bikes.csv", b"shell_width,shell_width\n68,68\n", "stands there twice"),
        ("bikes.csv", b"\xff\xfer\x00e\x00", "UTF-16"),
        ("bikes.csv", b"\n\n", "it is empty"),
        ("bikes.json", b"[1,", "not one JSON document"),
        ("bikes.json", WIDTH.replace(",", ",\n").encode() + b"{}", "not one JSON document"),
        ("bikes.json", b"[" * 100_000, "not one JSON document"),
    ],
)
def test_a_file_that_is_none_of_bicycles_ends_with_status_2(
    tmp_path: Path, name: str, content: bytes, words: str
) -> None:
    (tmp_path / name).write_bytes(content)
    done = run("quote", name, folder=tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert words in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("arguments", [["missing.json"], [], ["-", "--as", "poem"]])
def test_wrong_usage_ends_with_status_2(tmp_path: Path, arguments: list[str]) -> None:
    assert run("quote", *arguments, folder=tmp_path).returncode == 2


def test_a_derivation_comes_only_when_asked_for(tmp_path: Path) -> None:
    bike = bytes(BIKES[0]).decode()
    plain = run("quote", "-", "--as", "json-lines", folder=tmp_path, stdin=bike)
    derived = run("quote", "-", "--as", "json-lines", "--derivation", folder=tmp_path, stdin=bike)
    table = run("quote", "-", "--derivation", folder=tmp_path, stdin=bike)
    assert isinstance(lines(plain.stdout)[0].result.derivation, msgspec.UnsetType)
    steps = lines(derived.stdout)[0].result.derivation
    assert isinstance(steps, tuple)
    assert len(steps) > 10
    assert steps[0].formula.split()[0] in table.stdout


def test_each_answer_is_written_before_the_next_bicycle_is_there(tmp_path: Path) -> None:
    with subprocess.Popen(  # noqa: S603 - this very program
        [*COMMAND, "quote", "-", "--as", "json-lines", "--read-as", "json-lines"],
        cwd=tmp_path,
        env=environment(),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        for number in (1, 2, 3):
            process.stdin.write(WIDTH + "\n")
            process.stdin.flush()
            assert lines(process.stdout.readline())[0].place == f"line {number}"
        process.stdin.close()
        assert process.wait(SECONDS) == 0


def test_a_reader_that_leaves_early_is_no_failure_to_shout_about(tmp_path: Path) -> None:
    (tmp_path / "bikes.jsonl").write_text((WIDTH + "\n") * 40)
    command = f"{sys.executable} -m cotterline.cli quote bikes.jsonl --as json-lines | head -c 10"
    done = subprocess.run(  # noqa: S602 - the shell's pipe is what is tried
        command,
        shell=True,
        cwd=tmp_path,
        env=environment(),
        capture_output=True,
        text=True,
        timeout=SECONDS,
        check=True,
    )
    assert len(done.stdout) == 10
    assert "Traceback" not in done.stderr


def on_a_terminal(tmp_path: Path, command: list[str], stdout: int | None) -> str:
    """Run with standard error, and standard output unless given, on a terminal; gives what it showed."""
    ours, theirs = pty.openpty()
    with subprocess.Popen(  # noqa: S603 - this very program
        command,
        cwd=tmp_path,
        env=environment(TERM="xterm"),
        stdin=subprocess.DEVNULL,
        stdout=theirs if stdout is None else stdout,
        stderr=theirs,
    ) as process:
        os.close(theirs)
        shown = b""
        try:
            while piece := os.read(ours, 65536):
                shown += piece
        except OSError:  # Linux: the other end is closed
            pass
        assert process.wait(SECONDS) == 0
    os.close(ours)
    return shown.decode()


@pytest.mark.parametrize(("count", "bar"), [(30, True), (3, False)])
@pytest.mark.parametrize("form", ["table", "json-lines"])
def test_a_bar_on_the_terminal_leaves_the_output_clean(tmp_path: Path, count: int, form: str, *, bar: bool) -> None:
    (tmp_path / "bikes.jsonl").write_text((WIDTH + "\n") * count)
    with (tmp_path / "out").open("wb") as output:
        command = [*COMMAND, "quote", "bikes.jsonl", "--as", form]
        shown = on_a_terminal(tmp_path, command, output.fileno())
    written = (tmp_path / "out").read_text()
    assert "\x1b" not in written
    assert written.count("ISO/English, 68 mm: " if form == "json-lines" else "\nline ") == count
    assert (f"{count} bicycles" in shown) == bar
    assert f"{count} quoted, 0 refused." in shown
    assert "ISO/English" not in shown


def test_a_name_cannot_steer_the_terminal(tmp_path: Path) -> None:
    bike = '{"reference":"red\\u001b[2Jroadster",' + WIDTH[1:]
    (tmp_path / "bike.json").write_text(bike)
    shown = on_a_terminal(tmp_path, [*COMMAND, "quote", "bike.json"], None)
    assert "\x1b[2J" not in shown
    assert "red?[2Jroadster" in shown
    refused = run("quote", "-", folder=tmp_path, stdin=bike.replace("value", "\\u001b[2J"))
    assert "\x1b" not in refused.stderr


def test_a_terminal_without_the_plus_minus_sign_gets_a_mark_instead(tmp_path: Path) -> None:
    done = run("quote", "-", folder=tmp_path, stdin=bytes(BIKES[0]).decode(), PYTHONIOENCODING="ascii")
    assert done.returncode == 0
    assert "42.0 ? " in done.stdout


def test_the_api_document_and_the_version_are_printed(tmp_path: Path) -> None:
    assert run("openapi", folder=tmp_path).stdout.encode() == openapi_document()
    assert cotterline.__version__ in run("--version", folder=tmp_path).stdout
