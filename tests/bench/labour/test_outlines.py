"""What jobs have in common: mixed by their chances it is the job reckoned by itself, and no more is kept than said."""

from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs

from cotterline.bench.labour.book import DEFAULT_BOOK, Contingency, LabourBook
from cotterline.bench.labour.condition import JobCondition
from cotterline.bench.labour.facts import JobFacts
from cotterline.bench.labour.outlines import MOST_OPEN, MOST_OUTLINES
from cotterline.bench.labour.work import Job, Work, workload_of
from tests.bench.labour.books import contingency, operation, outlines, random_book

FITTING = JobFacts(ordering_allowed=True, old_crank="cottered", threaded=True, miss_first=0.3, miss_all=0.1, rings=2)
CHANCES = st.one_of(st.just(0.0), st.just(1.0), st.floats(0, 1))


def predicted(row: Contingency) -> Contingency:
    return row if isinstance(row.after, str) else structs.replace(row, chance_from="spindle")


def all_predicted(book: LabourBook) -> LabourBook:
    return structs.replace(book, contingencies={name: predicted(row) for name, row in book.contingencies.items()})


def holds_against_the_job_by_itself(work: Work) -> None:
    alone = workload_of(work.tasks)
    assert work.fixed_means == pytest.approx({name: minutes.mean for name, minutes in alone.fixed.items()}, abs=1e-9)
    assert [item.chance for item in work.with_cost] == [item.chance for item in alone.with_cost]
    assert work.spreads == alone.spreads
    whole = alone.minutes
    stated = dict(zip(work.minutes.values.tolist(), work.minutes.mass.tolist(), strict=True))
    reckoned = dict(zip(whole.values.tolist(), whole.mass.tolist(), strict=True))
    for minute in stated.keys() | reckoned.keys():
        assert stated.get(minute, 0.0) == pytest.approx(reckoned.get(minute, 0.0), abs=1e-12)


@given(random_book(), CHANCES)
def test_cases_mixed_by_their_chances_are_the_job_reckoned_by_itself(book: LabourBook, miss: float) -> None:
    job = Job(facts=structs.replace(FITTING, miss_first=miss), outlines=outlines(all_predicted(book)))
    holds_against_the_job_by_itself(job.work(frozenset()))


@pytest.mark.parametrize(("first", "both"), list(product((0.0, 0.25, 1.0), (0.0, 0.1, 1.0))))
def test_of_the_shipped_book_too_with_one_length_and_with_two(first: float, both: float) -> None:
    job = Job(facts=structs.replace(FITTING, miss_first=first, miss_all=both), condition=JobCondition(rust="heavy"))
    for chosen in (frozenset[str](), frozenset({"second_spindle"}), frozenset({"face_shell", "second_spindle"})):
        work = job.work(chosen)  # type: ignore[arg-type] # options by name
        assert len(work.outline.cases) == (4 if "second_spindle" in chosen else 2)
        holds_against_the_job_by_itself(work)


def test_more_than_can_be_kept_open_are_reckoned_anew_and_alike() -> None:
    rows = {
        f"risk_{number}": structs.replace(contingency("fit", 0.5), chance_from="spindle")
        for number in range(MOST_OPEN + 1)
    }
    book = LabourBook(operations={"fit": operation()}, contingencies=rows)
    work = Job(facts=FITTING, outlines=outlines(book)).work(frozenset())
    assert work.outline.cases == ()
    holds_against_the_job_by_itself(work)


def test_jobs_that_differ_in_their_prediction_alone_have_one_outline() -> None:
    shop = outlines()
    likelier = structs.replace(FITTING, miss_first=0.6)
    light, heavy = JobCondition(rust="light"), JobCondition(rust="heavy")
    one, other, rusty = (
        Job(facts=facts, outlines=shop, condition=seen).work(frozenset())
        for facts, seen in ((FITTING, light), (likelier, light), (FITTING, heavy))
    )
    assert one.outline is other.outline
    assert one.outline is not rusty.outline
    assert one.minutes.mean < other.minutes.mean < rusty.minutes.mean


def test_what_does_not_bear_on_the_work_makes_no_outline_of_its_own() -> None:
    shop, bare = outlines(), JobFacts(old_crank="square_taper", threaded=True)
    free, seized = (
        Job(facts=bare, outlines=shop, condition=seen).work(frozenset()).outline
        for seen in (JobCondition(cotter_nuts="free"), JobCondition(cotter_nuts="seized"))
    )
    assert free is seized


def test_no_more_outlines_are_remembered_than_said() -> None:
    """A book whose operations each belong to another kind of job has many kinds of job."""
    triggers = sorted({row.when for row in DEFAULT_BOOK.operations.values()})
    shop = outlines(LabourBook(operations={name: structs.replace(operation(), when=name) for name in triggers}))
    kinds = [
        frozenset(name for at, name in enumerate(triggers) if number >> at & 1) for number in range(MOST_OUTLINES + 9)
    ]
    first = shop.outline(kinds[0], frozenset(), (), predicted=False)
    assert shop.outline(kinds[0], frozenset(), (), predicted=False) is first
    for held in kinds:
        shop.outline(held, frozenset(), (), predicted=False)
    assert shop.outline(kinds[-1], frozenset(), (), predicted=False) is not first
    assert shop.outline(kinds[0], frozenset(), (), predicted=False) is not first


def test_what_is_remembered_of_a_distribution_cannot_be_changed() -> None:
    work = Job(facts=FITTING).work(frozenset())
    for task in work.outline.tasks:
        with pytest.raises(ValueError, match="read-only"):
            task.once.mass[0] = 1.0
    before = work.outline.minutes[1].copy()
    assert np.isclose(work.minutes.mass.sum(), 1)
    assert (work.outline.minutes[1] == before).all()
