"""How far a run has come: known parts alone, and an end that follows from the pace of the last minute."""

from datetime import UTC, datetime, timedelta
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import UNSET

from cotterline.bench.quote_run_progress import LATELY, Counted, lately, progress

NOON = datetime(2024, 5, 1, 12, tzinfo=UTC)
HALF = Counted(
    now=NOON,
    received_all=True,
    bicycles=10_000,
    answered=5_000,
    worked_since=NOON - timedelta(hours=1),
    answered_lately=1_200,
)


def but(**changed: Any) -> Counted:  # noqa: ANN401 -- any member
    return msgspec.structs.replace(HALF, **changed)


def test_an_end_follows_from_what_is_left_and_the_pace() -> None:
    found = progress(HALF)
    assert (found.percent, found.bicycles_per_second) == (50.0, 20.0)
    assert found.estimated_end == NOON + timedelta(seconds=250)


def test_a_pace_counts_from_when_work_began_if_that_is_later() -> None:
    assert lately(NOON, NOON - timedelta(seconds=30)) == NOON - timedelta(seconds=30)
    assert lately(NOON, NOON - timedelta(days=1)) == NOON - LATELY
    assert progress(but(worked_since=NOON - timedelta(seconds=30))).bicycles_per_second == 40.0


@pytest.mark.parametrize(
    ("changed", "absent"),
    [
        ({"received_all": False}, {"percent", "estimated_end"}),
        ({"worked_since": None}, {"bicycles_per_second", "estimated_end"}),
        ({"answered_lately": 0}, {"bicycles_per_second", "estimated_end"}),
        ({"worked_since": NOON}, {"bicycles_per_second", "estimated_end"}),
        ({"bicycles": 10_000_000, "answered": 0, "answered_lately": 1}, {"estimated_end"}),
    ],
)
def test_what_is_not_known_is_left_out(changed: dict[str, Any], absent: set[str]) -> None:
    found = progress(but(**changed))
    assert {name for name in found.__struct_fields__ if getattr(found, name) is UNSET} == absent


def test_a_run_of_nothing_is_done() -> None:
    assert progress(but(bicycles=0, answered=0)).percent == 100.0


@given(st.integers(1, 10_000_000), st.data())
def test_all_is_never_said_before_all_is_done(bicycles: int, data: st.DataObject) -> None:
    answered = data.draw(st.integers(0, bicycles))
    percent = progress(but(bicycles=bicycles, answered=answered)).percent
    assert isinstance(percent, float)
    assert (percent == 100.0) == (answered == bicycles)
    assert 0 <= 100 * answered / bicycles - percent < 0.1 + 1e-9
