"""Each benchmark works, on next to nothing, and its arithmetic is right; how fast anything is no test says."""

import asyncio
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from datetime import date
from pathlib import Path

import msgspec
import pytest
import uvloop
from sqlalchemy import text

from cotterline.bench.derivation import Trace
from cotterline.bench.quotes import QuoteRequest, QuoteResult, quote
from cotterline.bench.workshop import Workshop
from tests import postgres
from tests.benchmarks import deliveries, large_tables, load, machine, other_application, requests, speed_page, streams
from tests.benchmarks.__main__ import BENCHMARKS
from tests.benchmarks.figures import Figure, Outcome, rows
from tests.benchmarks.grounds import LONG, NORMAL, TINY, Cost, Grounds, Place, serving
from tests.benchmarks.sampling import Sampler

SPENT = """
import sys, time
end = time.process_time() + 0.31
while time.process_time() < end:
    pass
print("spent", flush=True)
sys.stdin.read()
"""


@pytest.fixture(scope="module")
def grounds(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Grounds]:
    try:
        with Grounds(tmp_path_factory.mktemp("benchmarks")) as made:
            yield made
    except postgres.UnavailableError as error:
        postgres.give_up(error, os.environ)


@pytest.mark.parametrize("name", BENCHMARKS)
@pytest.mark.xdist_group("benchmarks")
def test_each_benchmark_gives_figures_that_hang_together(name: str, grounds: Grounds) -> None:
    outcome = BENCHMARKS[name](grounds, TINY)
    assert outcome.figures
    for figure in outcome.figures:
        assert figure.measured
        assert (figure.ratio is not None) == bool(figure.beside)
        assert figure.ratio is None or figure.ratio > 0, figure
    assert bool(outcome.profile) <= outcome.missed


def test_a_ratio_is_held_against_its_bound_from_the_right_side() -> None:
    ratios = (1.9, 2.0, 2.1)
    least = [Figure("x", "", "", ratio, least=2.0).missed for ratio in ratios]
    most = [Figure("x", "", "", ratio, most=2.0).missed for ratio in ratios]
    assert least == [True, False, False]
    assert most == [False, False, True]
    assert not Figure("x", "", "", 100.0).missed
    assert Outcome((Figure("x", "", "", 1.0, most=2.0), Figure("x", "", "", 3.0, most=2.0))).missed


def test_of_several_rounds_the_one_that_took_least_of_the_core_counts() -> None:
    slow_on_the_wall, disturbed = Cost(0.1, 3.0, 9.0), Cost(0.2, 8.0, 9.0)
    assert min(disturbed, slow_on_the_wall) is slow_on_the_wall


def test_time_on_a_core_is_counted_of_a_process_and_of_those_below_it() -> None:
    before = machine.cpu_seconds(os.getpid())
    with subprocess.Popen((sys.executable, "-c", SPENT), stdin=subprocess.PIPE, stdout=subprocess.PIPE) as below:  # noqa: S603 - this very program
        assert below.stdout is not None
        assert below.stdout.readline() == b"spent\n"
        alive = machine.cpu_seconds(os.getpid()) - before
    ended = machine.cpu_seconds(os.getpid()) - before
    assert 0.3 < alive < 10
    assert 0.3 < ended < 10


def test_time_on_a_core_is_what_a_process_finds_of_itself() -> None:
    began, before = time.process_time(), machine.cpu_seconds(os.getpid())
    while time.process_time() < began + 0.2:
        pass
    assert machine.cpu_seconds(os.getpid()) - before == pytest.approx(time.process_time() - began, abs=0.05)


def test_programs_have_cores_of_their_own_also_when_this_one_keeps_to_one() -> None:
    before = os.sched_getaffinity(0)
    first, second = machine.core(0), machine.core(1)
    assert (first == second) == (len(machine.CORES) == 1)
    with machine.kept_to(first):
        assert os.sched_getaffinity(0) == first
        assert machine.core(1) == second
    assert os.sched_getaffinity(0) == before


def test_memory_is_what_is_held_and_the_peak_what_was() -> None:
    before = machine.memory(os.getpid())
    held = b"x" * (64 * 1024**2)
    assert machine.memory(os.getpid()) > before + len(held) / 2
    del held
    assert machine.peak_memory(os.getpid()) > before + 32 * 1024**2


@pytest.mark.parametrize("beside", [False, True])
def test_a_sampler_finds_who_is_at_work(*, beside: bool) -> None:
    def toil() -> None:
        end = time.process_time() + 0.3
        while time.process_time() < end:
            sum(range(100))

    sampler = Sampler(lambda: True)
    sampler.start()
    if beside:
        with asyncio.Runner(loop_factory=uvloop.new_event_loop) as runner:  # as the server runs
            runner.run(asyncio.to_thread(toil))
    else:
        toil()
    sampler.stop()
    first, *lines = sampler.told()
    assert int(first.split()[0]) > 10
    itself = [line for line in lines if "in itself" in line]
    assert any("toil" in line for line in itself[:2]), lines  # who runs the tests in several processes waits beside it


def test_the_echo_answers_what_the_call_answers(grounds: Grounds) -> None:
    place = grounds.place("SQLite")
    with serving("service", place) as running, closing(load.Client(running.port)) as client:
        asked = (requests.by_turns(path, place.shop.key, 3) for path in (requests.SINGLE, requests.ECHO))
        for single, echo in zip(*asked, strict=True):
            assert client.ask(single) == client.ask(echo)
        with pytest.raises(RuntimeError, match="401"):
            client.ask(next(iter(requests.by_turns(requests.SINGLE, "", 1))))
        assert streams.stream(running.port, place.shop.key, requests.lines()) == requests.BICYCLES


def test_the_other_frameworks_models_hold_the_whole_question_and_the_whole_answer() -> None:
    question, answer = other_application.model(QuoteRequest), other_application.model(QuoteResult)
    for line in requests.lines():
        asked = msgspec.json.decode(line, type=QuoteRequest)
        assert msgspec.convert(question.model_validate_json(line).model_dump(exclude_unset=True), QuoteRequest) == asked
        found = msgspec.json.decode(msgspec.json.encode(quote(asked, Workshop(), Trace(wanted=False))))
        assert answer.model_validate(found).model_dump(mode="json", exclude_unset=True) == found


def test_tables_are_filled_with_rows_that_a_shop_sees(grounds: Grounds) -> None:
    place = grounds.place("PostgreSQL")
    for table, fill in (("deliveries", large_tables.FINISHED), ("quotes", large_tables.QUOTES)):
        asyncio.run(_filled(grounds, place, fill))
        assert asyncio.run(_seen(place, table)) == 500


async def _filled(grounds: Grounds, place: Place, fill: str) -> None:
    await large_tables.as_admin(grounds, place, fill.format(shop=place.shop.tenant.shop, first=1, last=500))


async def _seen(place: Place, table: str) -> int:
    async with large_tables.opened(place) as database, database.read(place.shop.tenant) as tx:
        (row,) = await tx.rows(text(f"SELECT count(*) AS there FROM {table}"))  # noqa: S608 - names are written here
    return int(row["there"])


def test_the_page_has_a_section_for_each_benchmark_and_its_tables_tell_figures(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = tmp_path / "speed.md"
    page.write_text(speed_page.PAGE.read_text(encoding="utf-8"), encoding="utf-8")
    monkeypatch.setattr(speed_page, "PAGE", page)
    for number, name in enumerate(BENCHMARKS):
        outcome = Outcome((Figure(name, f"{number} ms", "1 ms", 1 / 3, least=0.5),), ("a function",))
        speed_page.renew(name, outcome, date(2024, 5, 1))
        speed_page.renew(name, outcome, date(2024, 5, 2))
    told = page.read_text(encoding="utf-8")
    for number, name in enumerate(BENCHMARKS):
        assert told.count(f"| {name} | {number} ms | 1 ms | 0.333 | at least 0.5 | missed |") == 1
    assert told.count("The machine: ") == told.count("measured on 2024-05-02.") == 1


def test_a_stream_longer_than_anybody_waits_for_is_left_out() -> None:
    assert [*streams.lengths(NORMAL, 0.001)] == [1_000, 10_000, 100_000]
    assert [*streams.lengths(NORMAL, 0.01)] == [1_000, 10_000]
    assert [*streams.lengths(LONG, 1.0)] == [10_000, 100_000, 1_000_000]


def test_whoever_ends_the_command_ends_what_it_started(tmp_path: Path) -> None:
    command = (sys.executable, "-m", "tests.benchmarks", "--short", "one-call")
    own = {**os.environ, "TMPDIR": str(tmp_path), "PYTHONPATH": os.pathsep.join(sys.path)}
    with subprocess.Popen(command, env=own, stderr=subprocess.DEVNULL) as running:  # noqa: S603 - this very program
        deadline = time.monotonic() + 60
        while machine.cpu_seconds(*(started := [*machine.family(running.pid)][1:])) < 0.2:  # it has been at work
            assert time.monotonic() < deadline
            time.sleep(0.01)
        running.terminate()
        assert running.wait(60) == 2
    assert not any(Path(f"/proc/{pid}").exists() for pid in started)
    assert not [*tmp_path.iterdir()]


def test_rows_are_a_table() -> None:
    lines = [*rows([Figure("x", "2 ms", "1 ms", 0.5, least=0.4), Figure("y", "3 ms")])]
    assert {line.count("|") for line in lines} == {7}
    assert deliveries.Posted(0.001, 0.0005).told == "1000 a second, 500 µs on the core"
