"""The bars of a verdict are as long as threads are probable; it reaches what an order needs only if a thread does."""

import pytest

from tests.documents.drawings.drawn import BIKES, Sheet, drawn, job, span, x_of


@pytest.mark.parametrize("index", range(len(BIKES)))
def test_bars_are_as_long_as_threads_are_probable_and_together_all_there_is(index: int) -> None:
    found, svg = job(index).result, drawn(index, "verdict")
    assert svg is not None
    sheet = Sheet(svg)
    limit = x_of(sheet.part("order-probability"))
    left, first = span(sheet.part("leading"))
    whole = (limit - left) / found.settings.order_probability
    assert (first - left) / whole == pytest.approx(found.verdict.leading.probability, abs=1e-4)
    others = [(right - start) / whole for start, right in map(span, sheet.parts("other"))]
    assert {span(bar)[0] for bar in sheet.parts("other")} <= {left}
    assert sum(others) + (first - left) / whole == pytest.approx(1.0, abs=1e-3)
    assert (first >= limit) == (found.verdict.leading.probability >= found.settings.order_probability)


@pytest.mark.parametrize("index", range(len(BIKES)))
def test_the_second_bar_is_the_likeliest_rival(index: int) -> None:
    found, svg = job(index).result, drawn(index, "verdict")
    assert svg is not None
    sheet = Sheet(svg)
    left, first = span(sheet.part("leading"))
    whole = (first - left) / found.verdict.leading.probability
    alike = [(row.both, (row.family, row.family)) for row in found.verdict.families]
    mixed = [(row.probability, (row.drive, row.non_drive)) for row in found.verdict.mixtures]
    leading = (found.verdict.leading.drive, found.verdict.leading.non_drive)
    rivals = sorted((chance for chance, pair in [*alike, *mixed] if pair != leading), reverse=True)
    bars = [right - start for start, right in map(span, sheet.parts("other"))]
    named = [chance * whole for chance in rivals if chance >= 0.001][: len(bars) - 1]
    assert bars[: len(named)] == pytest.approx(named, abs=0.02)


@pytest.mark.parametrize("index", range(len(BIKES)))
def test_a_thread_probable_enough_that_may_not_be_ordered_yet_is_said_to_be_so(index: int) -> None:
    found, svg = job(index).result, drawn(index, "verdict")
    assert svg is not None
    reached = found.verdict.leading.probability >= found.settings.order_probability
    told = " ".join(Sheet(svg).texts)
    assert ("other conditions" in told) == (reached and found.verdict.state != "fit_to_order")
    assert not {"100.0%", "0.0%"} & set(told.split())
