"""The demonstration runs from an empty folder to a table that says what the trade would say."""

import json
import re
import shutil
import signal
import stat
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from cotterline.store import key_text
from tests.command_line import COMMAND, FIXTURES, SECONDS, ask, environment, run

pytestmark = pytest.mark.xdist_group("demo")
"""In one process, so that the demonstration is shown once."""

WORDS = re.compile(r"\s+")


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """Run the demonstration once; gives its folder and what it printed."""
    folder = tmp_path_factory.mktemp("demo")
    done = run("demo", "--directory", "shop", folder=folder, COTTERLINE_DATABASE_URL="postgresql://elsewhere/x")
    assert (done.returncode, done.stderr) == (0, "")
    return folder / "shop", done.stdout


def block(shown: tuple[Path, str], name: str) -> str:
    """What the table says of one bicycle: each column as one line, then the advice."""
    table = shown[1].split("\nFrom quote to dispatch")[0]
    rule, entries = re.search(r"^(-[- ]+)\n(.*)", table, re.MULTILINE | re.DOTALL).groups()  # type: ignore[union-attr]
    spans = [match.span() for match in re.finditer("-+", rule)]
    for entry in entries.split("\n\n"):
        figures, advice = re.fullmatch(r"(.*?)((?:\n  \S.*)*)", entry, re.DOTALL).groups()  # type: ignore[union-attr]
        columns = [
            WORDS.sub(" ", " ".join(line[slice(*span)].strip() for line in figures.splitlines())) for span in spans
        ]
        if columns[0].startswith(name):
            return " | ".join([*columns, *WORDS.sub(" ", advice).splitlines()])
    raise LookupError(name)


def test_the_cottered_roadster_is_fit_to_order_with_113_first_and_110_and_115_beside_it(
    shown: tuple[Path, str],
) -> None:
    # Published case of a cotter-centre distance of 113 mm; accepted within 1-2 mm, common practice.
    said = block(shown, "Green roadster")
    assert "ISO/English, 68 mm" in said
    assert "fit to order" in said
    assert "113 (110, 115)" in said
    assert "Order: 1 x Cartridge unit, 1.370 in x 24 tpi, shell 68 mm" in said
    assert "42.0 ±" in said


def test_the_roadster_with_raised_fittings_is_refused_with_the_routes_that_hold(shown: tuple[Path, str]) -> None:
    said = block(shown, "Black roadster")
    assert "British 26 tpi, 71 mm" in said
    assert "Do not order" in said
    assert "No stock unit" in said
    assert "Keep the cups, fit a cotterless cup-and-cone spindle" in said
    assert "Threadless unit that expands in the shell" in said
    assert " Order: " not in said


@pytest.mark.parametrize(
    ("name", "facts"),
    [
        ("Red road racer", ["Italian, 70 mm", "Order: 1 x Cartridge unit, 36 mm x 24 tpi"]),
        ("Silver club tourer", ["French, 68 mm"]),
        ("Cream step-through", ["Swiss, 68 mm"]),
        ("Blue tourer", ["ISO/English, 2.68 in", "fit to order"]),
        ("Grey carrier", ["contradictory", "Do not order", "Contradiction: The pitch gauge on the drive side"]),
        ("White winter trainer", ["drive side ISO/English, other side Italian", "Do not order"]),
        ("Brown delivery", ["Thompson, 40 mm bore", "Do not order"]),
        ("Yellow shopper", ["fit to order", "Do not order", "distance between the old cotters' centres"]),
        ("Orange hub-gear", ["116 (115, 118)", "0 of 1"]),
        ("Purple off-road", ["ISO/English, 73 mm", "2 of 21"]),
        ("Maroon fast tourer", ["110 (108, 113)", "square taper JIS"]),
        ("Sand-coloured", ["T47, 86.5 mm"]),
        ("Turquoise path racer", ["Do not order", "Measure next: shell width, with a caliper"]),
        ("Rusty roadster", ["undecided", "Measure next"]),
    ],
)
def test_each_bicycle_is_told_what_the_trade_would_tell_it(
    shown: tuple[Path, str], name: str, facts: list[str]
) -> None:
    said = block(shown, name)
    assert [fact for fact in facts if fact not in said] == []


PRICE = re.compile(
    r"Price: ([0-9.]+) to ([0-9.]+) EUR, ([0-9.]+) on average. Ask the customer for up to ([0-9.]+) EUR."
)


def test_every_bicycle_has_a_range_what_drives_it_and_a_ceiling(shown: tuple[Path, str]) -> None:
    names = [bike["reference"] for bike in json.loads((FIXTURES / "bikes.json").read_text())]
    for name in names:
        said = block(shown, WORDS.sub(" ", name)[:10])
        assert re.search(r"Work: [0-9]+ to [0-9]+ minutes", said)
        assert re.search(r"What drives it: .* \([0-9]+%\)", said)
        low, high, mean, ceiling = map(float, PRICE.search(said).groups())  # type: ignore[union-attr]
        assert low < mean < high <= ceiling < high + 5


def test_seized_cotters_make_a_visibly_wider_range_than_clean_ones(shown: tuple[Path, str]) -> None:
    spans = [PRICE.search(block(shown, name)).groups() for name in ("Green roadster", "Ochre roadster")]  # type: ignore[union-attr]
    clean, seized = (float(high) - float(low) for low, high, *_ in spans)
    assert seized > 1.4 * clean


def test_the_table_is_plain_and_no_wider_than_80_columns(shown: tuple[Path, str]) -> None:
    table = shown[1].split("All 1", maxsplit=1)[0]
    assert max(len(line) for line in table.splitlines()) <= 80
    assert "\x1b" not in shown[1]
    assert [line for line in table.splitlines() if line != line.rstrip()] == []


def orders(shown: tuple[Path, str]) -> str:
    """What is printed of the orders, without its line breaks."""
    return WORDS.sub(" ", shown[1].split("\nFrom quote to dispatch\n")[1].split("\nAll 1")[0])


def test_a_substitute_that_fits_is_taken_and_dispatched(shown: tuple[Path, str]) -> None:
    # Half of what a spindle gains in length moves the chain line: plane geometry, no source needed.
    said = orders(shown).split("Orange hub-gear")[0]
    assert "ordered of Upper lock depot: 1 x Cartridge unit, ENG 68, JIS 115, 2 x Crank bolt" in said
    assert "taken by rule" in said
    assert "The spindle length is 115 mm, within 112.062 to 118.062 mm." in said
    assert "the order is dispatched: line 1 dispatched, line 2 dispatched" in said


def test_a_substitute_that_does_not_fit_is_refused_with_the_numbers(shown: tuple[Path, str]) -> None:
    said = orders(shown).split("Orange hub-gear")[1].split("Green roadster")[0]
    assert "refused by rule" in said
    assert "The spindle length is 124.5 mm; it must be 113.5 to 119.5 mm." in said
    assert "the chain line comes to 45.5 mm, +4 mm from the target; 1.5 mm is allowed." in said
    assert "line 1 rejected, line 2 accepted" in said


def test_of_two_lengths_that_were_tried_one_goes_back(shown: tuple[Path, str]) -> None:
    said = orders(shown).split("Green roadster")[1]
    assert "1 x Cartridge unit, ENG 68, JIS 113, 1 x Cartridge unit, ENG 68, JIS 110" in said
    assert "line 1 dispatched, line 2 returned, line 3 dispatched" in said


def fits(shown: tuple[Path, str], name: str) -> str:
    """What is printed of one fitting, without its line breaks."""
    said = shown[1].split("\nFrom the stand to the road\n")[1].split("\nThe booking system")[0]
    (found,) = (part for part in said.split("\n\n") if part.strip().startswith(name))
    return WORDS.sub(" ", found)


@pytest.mark.parametrize(("name", "line"), [("Blue tourer", "1.7126 in"), ("Green roadster", "43 mm")])
def test_a_bicycle_whose_spindle_fits_passes_at_once(shown: tuple[Path, str], name: str, line: str) -> None:
    said = fits(shown, name)
    assert f"Passed. The chain line is {line}" in said
    assert said.count("truly within what is allowed") == 1
    assert re.search(r"to be looked at again on 20\d\d-\d\d-\d\d", said)


@pytest.mark.parametrize(
    ("name", "missed", "spindle", "passed"),
    [("Ochre roadster", "45.5 mm, +3.5 mm", "107", "42.5 mm, +0.5"), ("Cream", "43.5 mm, +2 mm", "110", "42 mm, +0.5")],
)
def test_a_bicycle_whose_spindle_misses_is_given_another_and_passes(
    shown: tuple[Path, str], name: str, missed: str, spindle: str, passed: str
) -> None:
    # Half of what a spindle loses in length moves the rings inward: plane geometry, no source needed.
    first, then = fits(shown, name).split("ordered of ")
    assert f"Missed: chain line. The chain line is {missed} from the target" in first
    assert (
        f"Next spindle: {spindle} mm, to be ordered; predicted chain line {passed.split(' ', maxsplit=1)[0]} mm"
        in first
    )
    assert f"JIS {spindle};" in then
    assert "the order is dispatched" in then
    assert f"Passed. The chain line is {passed} mm from the target" in then
    assert "Crank bolt: 40 N m" in then


def test_the_next_bicycle_with_a_fitted_crank_is_told_a_narrower_chain_line(shown: tuple[Path, str]) -> None:
    said = fits(shown, "Olive roadster")
    before, after = (float(found) for found in re.findall(r"chain line [0-9.]+ ± ([0-9.]+) mm", said))
    assert after < before / 2


def test_the_booking_system_was_told_of_every_step_under_signatures_that_hold(shown: tuple[Path, str]) -> None:
    said = orders(shown)
    counted = re.search(r"was told (\d+) things; (\d+) signatures hold", said)
    assert counted is not None
    assert int(counted[1]) == int(counted[2]) >= 29
    steps = ["quote.issued", "quote.approved", "quote.ordered", "order.placed", "order.sent", "order.replied"]
    assert all(said.count(step) >= 3 for step in steps)
    assert "order.decided" in said
    assert "order.changed" in said
    assert said.count("fit_report.made") == 6
    assert said.count("quote.exchanged") == 2


def test_the_folder_holds_the_database_the_bicycles_and_a_log_without_errors(shown: tuple[Path, str]) -> None:
    folder = shown[0]
    assert (folder / "cotterline.sqlite3").stat().st_size > 0
    for name in ("bikes.json", "bikes.csv"):
        assert (folder / name).read_bytes() == (FIXTURES / name).read_bytes()
    log = (folder / "service.log").read_text()
    assert '"route": "/v1/quotes/{quote_id}"' in log
    assert '"level": "error"' not in log


def test_the_key_is_in_a_file_that_only_its_owner_reads_and_nowhere_else(shown: tuple[Path, str]) -> None:
    folder, printed = shown
    header = (folder / "key.header").read_text()
    key = header.removeprefix("Authorization: Bearer ").strip()
    assert key_text.read(key) is not None
    assert stat.S_IMODE((folder / "key.header").stat().st_mode) == 0o600
    holding = [path.name for path in folder.iterdir() if key[43:75].encode() in path.read_bytes()]
    assert holding == ["key.header"]
    assert key[43:75] not in printed


def test_a_folder_that_was_used_before_is_left_alone(shown: tuple[Path, str]) -> None:
    before = (shown[0] / "cotterline.sqlite3").read_bytes()
    refused = run("demo", "--directory", str(shown[0]), folder=shown[0])
    assert refused.returncode == 2
    assert "name another folder" in refused.stderr
    assert (shown[0] / "cotterline.sqlite3").read_bytes() == before


@contextmanager
def _demonstration(folder: Path) -> Iterator[subprocess.Popen[str]]:
    """Start it in a process that hears Ctrl-C, also where the tests run in the background, and end it in any case."""
    command = [*COMMAND, "demo", "--directory", "shop", "--keep-serving"]
    with subprocess.Popen(  # noqa: S603 - this very program
        command,
        cwd=folder,
        env=environment(PYTHONUNBUFFERED="1"),
        stdout=subprocess.PIPE,
        text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # noqa: PLW1509 - it does nothing else
    ) as process:
        try:
            yield process
        finally:
            process.terminate()


@pytest.mark.parametrize(("number", "status"), [(signal.SIGINT, 0), (signal.SIGTERM, 143)])
def test_the_service_goes_on_when_asked_to_takes_the_call_it_prints_and_ends_with_the_demonstration(
    tmp_path: Path, number: signal.Signals, status: int
) -> None:
    with _demonstration(tmp_path) as process:
        assert process.stdout is not None
        said = ""
        while "Ctrl-C stops it" not in said:
            line = process.stdout.readline()
            assert line
            said += line
        address = re.search(r"http://127\.0\.0\.1:(\d+)", said)
        assert address is not None
        assert ask(int(address[1]), "GET", "/docs")[0] == 200
        (call,) = re.findall(r"^  (curl .*\\\n.*)$", said, re.MULTILINE)
        if shutil.which("curl"):  # which a machine may lack
            done = subprocess.run(["bash", "-euc", call], capture_output=True, text=True, timeout=SECONDS, check=True)  # noqa: S603, S607 - as a reader would run it
            assert json.loads(done.stdout)["result"]["verdict"]["state"] == "fit_to_order"
        process.send_signal(number)
        process.communicate(timeout=SECONDS)
    assert process.returncode == status
    until = time.monotonic() + SECONDS
    while "Finished server process" not in (tmp_path / "shop" / "service.log").read_text():
        assert time.monotonic() < until
        time.sleep(0.05)
