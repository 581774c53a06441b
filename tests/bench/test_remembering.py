"""A workshop is let go with all that was worked out for it as soon as another takes its place."""

import gc
import weakref
from collections.abc import Iterator

import pytest

from cotterline.api import examples
from cotterline.bench.derivation import Trace
from cotterline.bench.quotes import QuoteRequest, quote
from cotterline.bench.remembering import remembering
from cotterline.bench.workshop import Workshop


@pytest.fixture
def rings_stay() -> Iterator[None]:
    """Leave whatever holds itself where it is, as it is for most of a process's life."""
    gc.disable()
    yield
    gc.enable()


@pytest.mark.usefixtures("rings_stay")
def test_a_workshop_and_all_that_was_worked_out_for_it_go_at_once() -> None:
    workshop = Workshop()
    quote(examples.typed("whole_job", QuoteRequest), workshop, Trace())
    prepared = (workshop, workshop.outlines, workshop.outlines.pace, workshop.market, workshop.prices)
    seen = [weakref.ref(each) for each in prepared]
    del workshop, prepared
    assert [each() for each in seen] == [None] * 5


def test_what_remembers_outlives_its_object_without_a_use() -> None:
    class Bench:
        def doubled(self, number: int) -> int:
            return 2 * number

    bench = Bench()
    doubled = remembering(bench.doubled, 2)
    assert doubled(4) == 8
    del bench
    with pytest.raises(ReferenceError):
        doubled(5)
