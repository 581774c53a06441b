"""Where the target chain line comes from."""

from typing import Any

import msgspec
import pytest

from cotterline.bench.chain.chainline import front
from cotterline.bench.derivation import Trace
from cotterline.bench.spindle.aim import (
    BOOKED_TARGET,
    Aim,
    MatchRear,
    NominalAim,
    OldChainLine,
    booked_as,
    check_aim,
    target,
)
from tests.bench.spindle_cases import measured

SPROCKET = {"method": "single_sprocket", "locknut_width": {"value": 120}, "to_sprocket": {"value": 12}}
TUBE = {"method": "tube_to_middle", "tube_diameter": {"value": 28.6}, "to_middle": {"value": 31.5}}


def aim(**body: Any) -> Aim:  # noqa: ANN401 - any part of a request's body
    chosen: Aim = msgspec.convert(body, Aim)
    return chosen


@pytest.mark.parametrize(
    ("chosen", "line"),
    [
        (aim(aim="old", measurement=TUBE), 45.8),
        (aim(aim="rear", measurement=SPROCKET), 48),
        (aim(aim="nominal", kind="track"), 42),
        (aim(aim="stated", chain_line={"value": 1.75, "unit": "in"}), 44.45),
    ],
)
def test_every_aim_gives_its_chain_line(chosen: Aim, line: float) -> None:
    """Published workshop figures: 28.6 tube and 31.5 to the ring are 45.8; west5cycles, 2008: 48 at the rear."""
    goal = target(chosen, Trace())
    assert goal.value == pytest.approx(line, abs=1e-9)
    assert goal.sd > 0
    assert all(source.startswith(BOOKED_TARGET) for source in goal.parts)


@pytest.mark.parametrize(
    ("chosen", "pointer"),
    [
        (aim(aim="stated", chain_line={"value": 430}), "/t/chain_line/value"),
        (aim(aim="old", measurement=TUBE | {"to_middle": {"value": -3}}), "/t/measurement/to_middle/value"),
        (aim(aim="rear", measurement=SPROCKET | {"to_sprocket": {"value": 0}}), "/t/measurement/to_sprocket/value"),
    ],
)
def test_an_aim_that_cannot_be_right_is_named(chosen: Aim, pointer: str) -> None:
    assert [fault.pointer for fault in check_aim(chosen, "/t")] == [pointer]


def test_a_nominal_aim_needs_no_check() -> None:
    assert not list(check_aim(NominalAim(kind="track"), "/t"))


def test_the_same_readings_of_the_old_crank_are_booked_once() -> None:
    old = OldChainLine(measurement=measured(42))
    name = booked_as(measured(42), old, "another")
    assert (target(old, Trace()) - front(measured(42), Trace(), booked_as=name)).sd == 0
    assert booked_as(measured(42.5), old, "another") == "another"


def test_a_rear_reading_is_never_taken_for_the_old_crank() -> None:
    rear = aim(aim="rear", measurement=SPROCKET)
    assert isinstance(rear, MatchRear)
    assert booked_as(measured(48), rear, "another") == "another"
