"""A crank's offset from a fitted spindle: the same on every length, and as uncertain as what it stands on."""

import math

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import UNSET
from uncertainties import ufloat

from cotterline.bench.derivation import Trace
from cotterline.bench.quantity import Length, Reading, Uncertain
from cotterline.bench.shop import ShopSettings
from cotterline.bench.spindle.aim import NominalAim
from cotterline.bench.spindle.crank import ERRORS, NamedCrank, ReferencePair, UnknownCrank, baseline
from cotterline.bench.spindle.offset import OffsetReport, observed, of_others, offset_report
from cotterline.bench.spindle.placing import SeatedUnit, placing
from cotterline.bench.spindle.question import WantedUnit
from tests.bench.formulas import check_steps
from tests.bench.spindle_cases import measured


def unit(asymmetry: float = 0.0, moved: float = 0.0) -> SeatedUnit:
    return SeatedUnit(
        taper="iso",
        taper_from="question",
        asymmetry_mm=asymmetry,
        seat="right",
        unit_width=Length(68.0),
        spacer_mm=0.0,
        moved=Length(moved),
    )


def seen(line: float, length: float, of: SeatedUnit, sd: float = 0.5) -> Uncertain:
    trace = Trace()
    offset = observed(Uncertain.of(line, sd, "ruler"), length, of, trace)
    check_steps(trace.steps)
    return offset


@pytest.mark.parametrize(
    ("length", "line", "offset"), [(122, 46, -15), (126, 52.5, -10.5), (113, 47.5, -9), (118, 50, -9)]
)
def test_published_pairs_and_their_offsets(length: float, line: float, offset: float) -> None:
    """rennrad-news.de, thread 175039; mechalog, 2021; the two spindles of one crank: common practice, no source."""
    assert seen(line, length, unit()).value == offset


@given(st.floats(100, 140), st.floats(-8, 8), st.floats(0, 6), st.floats(100, 140))
def test_it_is_the_same_wherever_a_crank_is_put(
    length: float, asymmetry: float, spacer: float, reference: float
) -> None:
    """By the rule the prediction uses: whatever spindle carries the crank, its offset is that of the reference."""
    crank = ReferencePair(spindle_length=Reading(value=reference), chain_line=measured(44), taper="iso")
    known = baseline(crank, NominalAim(kind="track"), Trace())
    place = placing(known, WantedUnit(asymmetry_mm=asymmetry, spacer_mm=spacer), 68, ShopSettings(), Trace())
    offset = observed(place.chain_line(length), length, place.unit, Trace())
    assert offset.value == pytest.approx(44 - reference / 2, abs=0.0011), "the seat is stated to a thousandth"


def test_its_spread_is_that_of_reading_half_the_length_seating_and_seat() -> None:
    line, length = ufloat(46, 0.5), ufloat(122, ERRORS.length_tolerance.sd)
    drawn, seat = ufloat(0, ERRORS.seating_depth.sd), ufloat(0, ERRORS.unit_seat.sd)
    expected = line - length / 2 - drawn - seat
    assert seen(46, 122, unit()).sd == pytest.approx(expected.std_dev, rel=1e-12)
    assert seen(46, 122, unit(), sd=0.0).sd == pytest.approx(math.sqrt(0.125**2 + 0.3**2 + 0.2**2))


def test_a_report_carries_what_the_crank_is_known_by_and_the_standard_it_was_fitted_on() -> None:
    crank = UnknownCrank(model="Five-pin steel", rings=2, taper="jis")
    report = offset_report(crank, Uncertain.of(46, 0.5, "ruler"), 122, unit(moved=1.5), Trace())
    assert report is not None
    assert (report.crank, report.rings, report.taper, report.shared) == ("Five-pin steel", 2, "iso", False)
    assert report.offset_mm == -16.5
    assert offset_report(NamedCrank(name="gone"), Uncertain(46), 122, unit(), Trace()) is None


@given(
    st.lists(st.sampled_from([-14.0, -13.5, -9.0]), max_size=8), st.lists(st.sampled_from([-14.0, -13.5]), max_size=5)
)
def test_a_shop_that_gave_to_the_pool_reads_only_what_others_gave(others: list[float], mine: list[float]) -> None:
    own = [
        OffsetReport(crank="Blue", gtin="96385074", rings=1, taper="jis", offset_mm=each, sd_mm=0.6) for each in mine
    ]
    pool = [
        OffsetReport(gtin="96385074", rings=1, taper="jis", offset_mm=each + 1e-9, sd_mm=0.6, shared=True)
        for each in (*others, *mine)
    ]
    left = of_others(own, pool)
    assert sorted(each.offset_mm for each in left) == pytest.approx(sorted(others))
    assert all(each.shared for each in left)


def test_a_report_of_another_crank_or_spread_stays_in_the_pool() -> None:
    mine = OffsetReport(gtin="96385074", rings=1, taper="jis", offset_mm=-14.0, sd_mm=0.6)
    pool = [
        msgspec.structs.replace(mine, **change)
        for change in ({"rings": 2}, {"taper": "iso"}, {"sd_mm": 0.7}, {"gtin": "4006381333931"}, {"gtin": UNSET})
    ]
    assert len(of_others([mine], pool)) == len(pool)
