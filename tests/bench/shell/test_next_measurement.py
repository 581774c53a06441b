"""Which measurement to take next: information against a second computation, and advice a mechanic would give."""

import math
import tomllib
from collections.abc import Iterable
from importlib.resources import files
from itertools import pairwise

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings

from cotterline.bench.quantity import Reading
from cotterline.bench.shell.evidence import Evidence, ShellWidth, kind, side
from cotterline.bench.shell.families import FAMILIES, SHELLS
from cotterline.bench.shell.next_measurement import NextMeasurement
from cotterline.bench.shell.posterior import posterior
from tests.bench import brute_force
from tests.bench.bikes import COTTERED, bore, crank, cup, fittings, gauge, hand, inside, judged, origin, stamp, width
from tests.bench.random_evidence import ANY_EVIDENCE

LEAVES = [gauge(tpi) for tpi in (20, 22, 24, 26, 28)] + [gauge(mm, "mm") for mm in (0.75, 0.8, 1.0, 1.25, 1.5)]
OTHER_LEAVES = [msgspec.structs.replace(leaf, side="non_drive") for leaf in LEAVES]
MINUTES = {
    row["kind"]: row["minutes"]
    for row in tomllib.loads(files("cotterline.bench.data").joinpath("measurements.toml").read_text())["measurement"]
}


def _chances(outcomes: Iterable[Evidence], cell: float = 1.0) -> brute_force.Vector:
    """Outcomes by shells, with one row for no outcome at all."""
    rows = np.array([brute_force.likelihood(item) for item in brute_force.wire(outcomes)]) * cell
    rows /= np.maximum(rows.sum(axis=0), 1.0)
    return np.vstack([rows, np.maximum(1 - rows.sum(axis=0), 1e-9)])


def _advised(answer: Iterable[NextMeasurement], wanted: str, where: str | None = None) -> NextMeasurement:
    return next(row for row in answer if row.kind == wanted and (where is None or row.side == where))


def _gain(evidence: tuple[Evidence, ...], outcomes: Iterable[Evidence], cell: float = 1.0) -> float:
    return brute_force.expected_gain(_chances(outcomes, cell), brute_force.posterior(brute_force.wire(evidence)))


@pytest.mark.parametrize(
    ("evidence", "outcomes"),
    [
        ((width(67), gauge(24)), [hand("left"), hand("right")]),
        ((origin("GB", 1955, 1970), crank("cottered"), gauge(26)), [hand("left"), hand("right")]),
        ((gauge(1, "mm"),), [hand("left"), hand("right")]),
        ((width(68),), [hand("left"), hand("right")]),
        ((cup(34.7), cup(34.7, "non_drive")), OTHER_LEAVES),
        ((hand("left"), cup(34.75), inside(33.9, "non_drive")), LEAVES),
        ((gauge(26), hand("left"), cup(34.7)), [fittings("both"), fittings("adjustable_only"), fittings("neither")]),
    ],
)
def test_the_expected_gain_is_the_mutual_information_of_outcome_and_shell(
    evidence: tuple[Evidence, ...], outcomes: list[Evidence]
) -> None:
    """D. V. Lindley, 1956: relative entropy of the joint distribution to the product of its margins."""
    where = side(outcomes[0])
    row = _advised(judged(*evidence).next_measurements, kind(outcomes[0]), where)
    assert row.gain_bits == pytest.approx(_gain(evidence, outcomes), abs=6e-5)


@pytest.mark.parametrize("evidence", [(gauge(24), hand("left")), (cup(34.7),), (gauge(26), crank("cottered"))])
def test_the_gain_of_a_width_does_not_hang_on_the_grid(evidence: tuple[Evidence, ...]) -> None:
    row = _advised(judged(*evidence).next_measurements, "shell_width")
    fine = [ShellWidth(reading=Reading(value=60 + step / 10, tool="caliper")) for step in range(501)]
    assert row.gain_bits == pytest.approx(_gain(evidence, fine, 0.1), rel=0.03)


def test_a_stamp_counts_for_the_share_of_cups_on_which_one_can_be_read() -> None:
    evidence = (width(68, "caliper"), hand("left"))
    texts = ["1.37x24", "36x24", "35x1", "1 3/8 x 26", "1.45x26", "T47", "M48x1.5"]
    whole = _gain(evidence, [stamp(text) for text in texts])
    row = _advised(judged(*evidence).next_measurements, "stamp", "drive")
    assert 0 < row.gain_bits < whole
    assert row.gain_bits == pytest.approx(0.4 * whole, abs=0.002)


@given(ANY_EVIDENCE)
@settings(deadline=None, max_examples=60)
def test_advice_is_never_more_than_there_is_to_know_and_its_readings_are_probabilities(
    evidence: tuple[Evidence, ...],
) -> None:
    answer = judged(*evidence)
    for row in answer.next_measurements:
        assert 0.0 <= row.gain_bits <= math.log2(len(SHELLS))
        assert 0.0 < math.fsum(reading.probability for reading in row.reads) <= 1.0 + 1e-5
        assert row.minutes == MINUTES[row.kind]
        assert row.how
    if answer.state != "fit_to_order":
        served = [len(row.meets) for row in answer.next_measurements]
        assert served == sorted(served, reverse=True)
        rates = [(-len(row.meets), -row.gain_bits / row.minutes) for row in answer.next_measurements]
        assert all(a <= (b[0], b[1] + 1e-4) for a, b in pairwise(rates))


@pytest.mark.parametrize(
    "evidence",
    [
        (width(67),),
        (crank("cottered"),),
        (origin("DE", 1955, 1960), crank("cottered")),
        (bore("threaded"),),
        COTTERED[:2],
    ],
)
def test_what_a_reading_is_said_to_mean_is_what_the_verdict_says_after_it(evidence: tuple[Evidence, ...]) -> None:
    outcomes: dict[str, Evidence] = {"left": hand("left"), "right": hand("right")}
    outcomes |= {f"{leaf.leaf:g} {leaf.leaf_unit}": leaf for leaf in LEAVES}
    outcomes |= {look: bore("plain" if look == "plain" else "threaded") for look in ("plain", "threaded")}
    outcomes |= {text: stamp(text) for text in ("1.37x24", "36x24", "35x1", "1.45x26", "t47", "48x1.5", "13/8x26")}
    checked = 0
    for row in judged(*evidence).next_measurements:
        if row.side != "drive":
            continue
        for reading in row.reads:
            if reading.reading in outcomes:
                after = posterior((*evidence, outcomes[reading.reading]))
                by_family = dict(zip(FAMILIES, after.by_feature("drive"), strict=True))
                assert by_family[reading.then] == pytest.approx(max(by_family.values()))
                checked += 1
    assert checked > 1


def test_nothing_is_advised_once_an_order_stands() -> None:
    assert judged(*COTTERED).next_measurements == ()


def test_a_measurement_taken_is_not_advised_again_but_with_a_finer_tool() -> None:
    ruled = judged(width(69), gauge(24), hand("left"))
    measured = judged(width(69, "caliper"), gauge(24), hand("left"))
    assert _advised(ruled.next_measurements, "shell_width").tool == "caliper"
    assert "width_known" in _advised(ruled.next_measurements, "shell_width").meets
    assert all((row.kind, row.side) != ("cup_hand", "drive") for row in ruled.next_measurements)
    assert all(row.kind != "shell_width" or "nothing_contradicts" in row.meets for row in measured.next_measurements)


def test_what_contradicts_is_to_be_taken_again() -> None:
    row = _advised(judged(gauge(24, over=12), hand("left"), width(76, "caliper")).next_measurements, "shell_width")
    assert "nothing_contradicts" in row.meets


def test_a_gauge_between_26_tpi_and_1_mm_is_followed_by_what_can_tell_them_apart() -> None:
    """Thread geometry: width, hand and diameter must."""
    answer = judged(gauge(26), origin("GB", 1955, 1965), crank("cottered"))
    kinds = {row.kind for row in answer.next_measurements[:4]}
    assert kinds & {"cup_hand", "shell_width", "stamp", "crest_count", "shell_inside_diameter"}
    assert all(row.kind != "pitch_gauge" or row.side != "drive" for row in answer.next_measurements)


def test_no_thread_is_gauged_where_there_is_none() -> None:
    answer = judged(bore("plain"), bore("plain", "non_drive"), inside(40.0), inside(40.02, "non_drive"), width(68))
    assert not {row.kind for row in answer.next_measurements} & {"pitch_gauge", "crest_count", "stamp", "cup_hand"}


def test_without_a_width_the_width_is_asked_for() -> None:
    answer = judged(gauge(24), hand("left"), cup(34.7), stamp("1.37x24"))
    assert answer.next_measurements[0].kind == "shell_width"
