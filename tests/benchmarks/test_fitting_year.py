"""The page on learning says what the code does, and the first jobs of its year bear out what it claims."""

import re

import pytest

from cotterline.bench.spindle.crank import ERRORS
from cotterline.bench.spindle.offset_learning import MODEL
from tests.bench.formulas import check_steps, evaluate
from tests.benchmarks.fitting_year import (
    JOBS,
    SEED,
    TOLERANCE,
    WAYS,
    Outcome,
    off,
    orders,
    passed_though_out,
    quarters,
    right_at_once,
    worked,
)
from tests.benchmarks.invented_year import BETWEEN_MODELS, COTTERS_SD, MISREAD_SHARE, MODELS, Job, year
from tests.benchmarks.learning_page import PAGE, assumed, example, example_steps, section

FIRST = 300
"""Jobs of the year that are worked again here; the page has all of them."""

PAGE_TEXT = PAGE.read_text(encoding="utf-8")
ROW = re.compile(r"^\| ([^|]+) \| `([^`]+)` \| ([^|]+) \| ([-\d.]+)(?: mm)? \|$", re.MULTILINE)
"""What, formula, inputs and outcome of one step."""

FIGURES = re.compile(r"^\| ([a-z, ]+) \|((?: [\d.]+ %? ?(?:mm )?\|){5})$", re.MULTILINE)
"""A way of choosing and its five figures."""


@pytest.fixture(scope="module")
def by_way() -> dict[str, list[Outcome]]:
    jobs = list(year(SEED, FIRST))
    return {name: worked(jobs, way()) for name, way in WAYS.items()}


def test_the_worked_example_on_the_page_is_what_the_code_records() -> None:
    check_steps(example_steps())
    assert section(PAGE_TEXT, "example") == example()


def test_every_formula_on_the_page_gives_what_stands_beside_it() -> None:
    rows = ROW.findall(section(PAGE_TEXT, "example"))
    assert len(rows) == len(example_steps()) > 10
    for what, formula, given, outcome in rows:
        inputs = {name: float(value) for name, value in re.findall(r"(\w+) = ([-\d.e]+)", given)}
        assert evaluate(formula, inputs) == pytest.approx(float(outcome), rel=2e-3), what


def test_what_the_page_takes_for_true_is_what_the_year_is_drawn_from() -> None:
    assert section(PAGE_TEXT, "assumed") == assumed()
    assert f"{TOLERANCE:g} mm of" in PAGE_TEXT
    assert f"{JOBS} jobs, seed {SEED}." in section(PAGE_TEXT, "year")


def test_the_year_is_harder_than_what_the_service_assumes() -> None:
    """Drawn from the service's own constants it would only show that the service agrees with itself."""
    assert MODEL.between_cranks.sd < BETWEEN_MODELS
    assert ERRORS.untried_crank.sd < COTTERS_SD
    assert MODEL.misreading.chance != MISREAD_SHARE
    assert len({job.crank.name for job in year(SEED, JOBS)}) == MODELS


def test_a_year_begins_as_a_shorter_one_and_depends_on_nothing_but_its_seed() -> None:
    def known(jobs: list[Job]) -> list[tuple[str, float, float]]:
        return [(job.crank.name, job.target, job.cotters.value) for job in jobs]

    assert known(list(year(SEED, 5))) == known(list(year(SEED, 20))[:5])
    assert known(list(year(SEED, 5))) != known(list(year(SEED + 1, 5)))


def test_learning_is_right_at_once_far_oftener_and_orders_less(by_way: dict[str, list[Outcome]]) -> None:
    thumb, without, learning = by_way.values()
    assert right_at_once(learning) > right_at_once(without) + 25
    assert right_at_once(without) >= right_at_once(thumb) - 1
    assert orders(learning) < orders(without) - 0.3
    assert orders(without) <= orders(thumb)


def test_learning_leaves_no_more_bicycles_out_and_none_further_off(by_way: dict[str, list[Outcome]]) -> None:
    _, without, learning = by_way.values()
    assert passed_though_out(learning) <= passed_though_out(without)
    assert off(learning) < off(without)


def test_a_model_never_fitted_gains_less_than_one_that_was(by_way: dict[str, list[Outcome]]) -> None:
    learning = by_way["service, learning"]
    never, known = ([each for each in learning if (each.seen > 0) == seen] for seen in (False, True))
    assert len(never) > 20
    assert right_at_once(never) < right_at_once(known) - 10


def test_the_pages_tables_say_the_same_for_the_whole_year() -> None:
    rows = FIGURES.findall(section(PAGE_TEXT, "year"))
    figures = {name: [float(each) for each in re.findall(r"[\d.]+", row)] for name, row in rows}
    assert figures.keys() == WAYS.keys()
    at_once, each, out, never, far = figures["service, learning"]
    for other in ("rule of thumb", "service, no learning"):
        others = figures[other]
        assert at_once > others[0]
        assert each < others[1]
        assert out < others[2]
        assert never < others[3]
        assert far < others[4]


def test_quarters_are_the_year_in_order(by_way: dict[str, list[Outcome]]) -> None:
    parts = quarters(by_way["rule of thumb"])
    assert [*parts[0], *parts[1], *parts[2], *parts[3]] == by_way["rule of thumb"]
