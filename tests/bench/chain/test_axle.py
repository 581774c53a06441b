"""Axle washers: which way they shift the wheel, and which one lines it up."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cotterline.bench.chain.axle import USUAL_GAP, AxleSpacer, check_spacers, growth, shift, washer_move
from cotterline.bench.derivation import Trace
from cotterline.bench.quantity import Reading, Uncertain
from tests.bench.formulas import check_steps


def washer(side: str, change: str, thickness: float) -> AxleSpacer:
    assert side in {"drive", "non_drive"}
    assert change in {"added", "removed", "moved_here"}
    return AxleSpacer(
        side="drive" if side == "drive" else "non_drive",
        change="added" if change == "added" else "removed" if change == "removed" else "moved_here",
        thickness=Reading(value=thickness, tool="caliper"),
    )


@pytest.mark.parametrize(
    ("changes", "expected"),
    [  # half the difference of the two sides' growth; plane geometry
        ([washer("non_drive", "added", 3)], 1.5),
        ([washer("drive", "added", 3)], -1.5),
        ([washer("non_drive", "removed", 3)], -1.5),
        ([washer("drive", "removed", 3)], 1.5),
        ([washer("non_drive", "moved_here", 3)], 3.0),
        ([washer("drive", "moved_here", 3)], -3.0),
        ([washer("drive", "added", 3), washer("non_drive", "added", 3)], 0.0),
        ([washer("drive", "removed", 3), washer("non_drive", "added", 3)], 3.0),
        ([], 0.0),
    ],
)
def test_washers_shift_the_sprockets_by_half_the_difference_of_the_sides(
    changes: list[AxleSpacer], expected: float
) -> None:
    trace = Trace()
    assert shift(changes, trace, "rear").value == expected
    assert len(trace.steps) == (1 if changes else 0)
    if changes:
        check_steps(trace.steps)


def test_a_moved_washer_leaves_the_width_over_the_locknuts_alone_and_exactly_so() -> None:
    changes = [washer("drive", "moved_here", 2)]
    width = growth(changes, "drive", "rear") + growth(changes, "non_drive", "rear")
    assert (width.value, width.sd) == (0.0, 0.0)


@given(st.floats(38, 50), st.floats(38, 50))
def test_the_proposed_move_lines_the_wheel_up_and_so_does_the_washer_to_add(front: float, rear: float) -> None:
    trace = Trace()
    move = washer_move(Uncertain(front), Uncertain(rear), None, trace)
    check_steps(trace.steps)
    to = "non_drive" if move.move_from == "drive" else "drive"
    if move.thickness.value < 0.001:
        return
    moved = shift([washer(to, "moved_here", move.thickness.value)], Trace(wanted=False), "rear")
    added = shift([washer(move.or_add_on, "added", move.or_add_thickness.value)], Trace(wanted=False), "rear")
    assert rear + moved.value == pytest.approx(front, abs=0.0011)
    assert rear + added.value == pytest.approx(front, abs=0.0011)


def test_a_move_that_takes_the_gap_away_is_told() -> None:
    trace = Trace()
    move = washer_move(Uncertain(45.0), Uncertain(43.0), Uncertain(4.0), trace)
    assert move.move_from == "drive"
    assert move.gap_after_move is not None
    assert getattr(move.gap_after_move, "value", None) == 2.0 < USUAL_GAP
    assert move.keeps_usual_gap is False
    back = washer_move(Uncertain(43.0), Uncertain(45.0), Uncertain(4.0), Trace())
    assert getattr(back.gap_after_move, "value", None) == 6.0
    assert back.keeps_usual_gap is True
    check_steps(trace.steps)


def test_a_move_says_that_the_rim_must_follow() -> None:
    assert "rim" in washer_move(Uncertain(45.0), Uncertain(43.0), None, Trace()).caution


def test_impossible_washers_are_refused_one_by_one() -> None:
    spacers = [washer("drive", "added", 2), washer("drive", "added", 21), washer("drive", "added", 0.1)]
    assert [fault.pointer for fault in check_spacers(spacers, "/s")] == ["/s/1/thickness/value", "/s/2/thickness/value"]
