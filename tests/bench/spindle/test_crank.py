"""What is known of a crank, and what must be measured before anything is."""

from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cotterline.bench.derivation import Trace
from cotterline.bench.errors import CotterlineError
from cotterline.bench.quantity import Reading
from cotterline.bench.spindle.aim import Aim, NominalAim, OldChainLine
from cotterline.bench.spindle.crank import (
    BOOKED_UNTRIED,
    CotterDistance,
    Crank,
    ReferencePair,
    UnknownCrank,
    baseline,
    check_crank,
)
from tests.bench.formulas import check_steps
from tests.bench.spindle_cases import measured

TRACK = NominalAim(kind="track")
OLD = OldChainLine(measurement=measured(42))


def pair(**changes: Any) -> ReferencePair:  # noqa: ANN401 - any field of a crank
    return ReferencePair(**({"spindle_length": Reading(value=113), "chain_line": measured(43)} | changes))


@given(st.integers(2, 3), st.floats(3, 12), st.floats(35, 60))
def test_inner_and_outer_ring_of_one_crank_give_the_same_reference(rings: int, spacing: float, centre: float) -> None:
    step = Reading(value=spacing)
    away = (rings - 1) * spacing / 2
    inner = pair(rings=rings, ring_spacing=step, ring="inner", chain_line=measured(centre - away))
    outer = pair(rings=rings, ring_spacing=step, ring="outer", chain_line=measured(centre + away))
    trace = Trace()
    assert baseline(inner, TRACK, trace).chain_line.value == pytest.approx(centre)
    assert baseline(outer, TRACK, trace).chain_line.value == pytest.approx(centre)
    check_steps(trace.steps)


def test_the_middle_ring_of_three_needs_no_spacing() -> None:
    assert baseline(pair(rings=3), TRACK, Trace()).chain_line.value == 43


@pytest.mark.parametrize(
    ("crank", "taper"),
    [
        (pair(), None),
        (pair(taper="iso"), "iso"),
        (pair(taper="iso", spindle_taper="jis"), "jis"),
        (CotterDistance(distance=Reading(value=113), old_chain_line=measured(42), taper="iso"), "iso"),
    ],
)
def test_a_reference_spindle_has_the_cranks_own_taper_unless_it_says_otherwise(crank: Crank, taper: str | None) -> None:
    assert baseline(crank, TRACK, Trace()).taper == taper


def test_a_chain_line_left_out_is_the_old_one_the_aim_gives() -> None:
    cotters = CotterDistance(distance=Reading(value=113))
    known = baseline(cotters, OLD, Trace())
    assert known.chain_line.value == 42
    assert BOOKED_UNTRIED in known.spindle_length.parts
    assert baseline(pair(chain_line=msgspec.UNSET), OLD, Trace()).chain_line.value == 42


@pytest.mark.parametrize(
    ("crank", "pointer"),
    [
        (UnknownCrank(), "/crank"),
        (CotterDistance(distance=Reading(value=113)), "/crank/old_chain_line"),
        (pair(chain_line=msgspec.UNSET), "/crank/chain_line"),
        (pair(rings=2, ring="inner"), "/crank/ring_spacing"),
    ],
)
def test_a_missing_measurement_is_asked_for_by_name(crank: Crank, pointer: str) -> None:
    aim: Aim = TRACK
    with pytest.raises(CotterlineError) as refused:
        baseline(crank, aim, Trace(), "/crank")
    assert refused.value.code == "measurement-missing"
    assert [fault.pointer for fault in refused.value.faults] == [pointer]


@pytest.mark.parametrize(
    ("crank", "pointer"),
    [
        (CotterDistance(distance=Reading(value=300)), "/c/distance/value"),
        (
            CotterDistance(distance=Reading(value=113), old_chain_line=measured(-42)),
            "/c/old_chain_line/chain_line/value",
        ),
        (pair(spindle_length=Reading(value=-1)), "/c/spindle_length/value"),
        (pair(ring="outer"), "/c/ring"),
    ],
)
def test_what_cannot_be_right_is_named(crank: Crank, pointer: str) -> None:
    assert [fault.pointer for fault in check_crank(crank, "/c")] == [pointer]


@pytest.mark.parametrize("asymmetry", [-31, 31, "2"])
def test_an_asymmetry_beyond_any_spindle_does_not_decode(asymmetry: object) -> None:
    body = {"known_by": "reference_pair", "spindle_length": {"value": 113}, "asymmetry_mm": asymmetry}
    with pytest.raises(msgspec.ValidationError):
        msgspec.convert(body, Crank)
