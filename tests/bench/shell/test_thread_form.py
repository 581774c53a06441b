"""Thread geometry against published tables and a general package.

The tables stand in ``data/published_threads.toml``, each with its source.
"""

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cotterline.bench.shell.thread_form import Form, core_diameter, cup_limits, pitch_diameter, shell_limits

PUBLISHED = tomllib.loads((Path(__file__).parents[1] / "data" / "published_threads.toml").read_text("utf-8"))
BASIC = [(table, row) for table in PUBLISHED["basic"] for row in table["rows"]]
LIMITS = PUBLISHED["limits"]["rows"]

TPI_24, TPI_26 = 25.4 / 24, 25.4 / 26
PITCHES = st.floats(0.4, 3.0)


def _id(value: Any) -> str:  # noqa: ANN401 - any parameter
    return str(value.get("thread") or value.get("pitch") or value["source"])


def _pitch(row: dict[str, Any]) -> float:
    """Pitch in the row's own unit."""
    return float(row["pitch"] if "pitch" in row else 25.4 / row["tpi"])


@pytest.mark.parametrize(("table", "row"), BASIC, ids=_id)
def test_basic_diameters_are_those_of_published_tables(table: dict[str, Any], row: dict[str, Any]) -> None:
    scale = 25.4 if table["unit"] == "in" else 1.0
    diameter, pitch = row["diameter"] * scale, _pitch(row)
    assert core_diameter(diameter, pitch, table["form"]) / scale == pytest.approx(row["core"], abs=table["within"])
    if "middle" in row:
        middle = pitch_diameter(diameter, pitch, table["form"]) / scale
        assert middle == pytest.approx(row["middle"], abs=table["within"])


@pytest.mark.parametrize("row", LIMITS, ids=_id)
def test_limits_of_cut_parts_are_those_of_the_published_tables(row: dict[str, Any]) -> None:
    within, male, female = PUBLISHED["limits"]["within"], row["male"], row["female"]
    assert cup_limits(male["diameter"], row["pitch"]) == pytest.approx((male["high"], male["low"]), abs=within)
    assert shell_limits(female["diameter"], row["pitch"]) == pytest.approx((female["high"], female["low"]), abs=within)


@pytest.mark.parametrize(
    ("diameter", "pitch", "male", "middle", "female"),
    [
        (34.798, TPI_24, (34.771, 34.587), 34.111, (33.652, 33.892)),
        (36.0, TPI_24, (35.973, 35.789), 35.313, (34.854, 35.094)),
        (35.0, 1.0, (34.974, 34.797), 34.350, (33.917, 34.147)),
        (34.798, TPI_26, (34.772, 34.598), 34.163, (33.740, 33.979)),
        (34.925, TPI_26, (34.899, 34.725), 34.290, (33.867, 34.106)),
        (47.0, 1.0, (46.974, 46.797), 46.350, (45.917, 46.147)),
    ],
)
def test_the_threads_of_the_trade_have_the_sizes_of_iso_68_1_and_iso_965_1(
    diameter: float, pitch: float, male: tuple[float, float], middle: float, female: tuple[float, float]
) -> None:
    """ISO 68-1:1998 (D2, D1) and ISO 965-1:2013 (6g, 6H), worked out by hand from their formulas."""
    assert cup_limits(diameter, pitch) == pytest.approx(male, abs=0.0006)
    assert pitch_diameter(diameter, pitch) == pytest.approx(middle, abs=0.0006)
    assert shell_limits(diameter, pitch) == pytest.approx((female[1], female[0]), abs=0.0006)
    assert core_diameter(diameter, pitch) == pytest.approx(female[0], abs=0.0006)


@pytest.mark.parametrize(("pitch", "depth"), [(0.977, 0.52), (1.058, 0.56)])
def test_cycle_threads_are_as_deep_as_jis_b_0225_prints(pitch: float, depth: float) -> None:
    """JIS B 0225:1960, depth of thread, two decimals."""
    assert (30.0 - core_diameter(30.0, pitch, "cycle")) / 2 == pytest.approx(depth, abs=0.005)


def test_the_whitworth_form_is_the_deepest_and_the_iso_form_next_to_the_cycle_form() -> None:
    """Factors 1.280654 (BS 84:1956), 1.0825 (ISO 68-1:1998), 1.0654 (JIS B 0225:1960)."""
    cores = {form: 100 - core_diameter(100, 1.0, form) for form in ("iso", "whitworth", "cycle")}
    assert cores == pytest.approx({"whitworth": 1.280654, "iso": 1.082532, "cycle": 1.0654}, abs=1e-6)


@given(st.floats(20, 60), PITCHES, st.sampled_from(["iso", "whitworth", "cycle"]))
def test_core_pitch_and_outside_diameter_stand_in_order_half_a_depth_apart(
    diameter: float, pitch: float, form: Form
) -> None:
    core, middle = core_diameter(diameter, pitch, form), pitch_diameter(diameter, pitch, form)
    assert core < middle < diameter
    if form != "iso":
        assert diameter - middle == pytest.approx(middle - core, abs=1e-9)
    else:
        assert (diameter - middle) / (middle - core) == pytest.approx(1.5)


@given(st.floats(20, 60), PITCHES)
def test_a_cup_is_never_larger_and_a_shell_never_smaller_than_nominal(diameter: float, pitch: float) -> None:
    cup, shell = cup_limits(diameter, pitch), shell_limits(diameter, pitch)
    assert cup.low < cup.middle < cup.high < diameter
    assert core_diameter(diameter, pitch) == shell.low < shell.middle < shell.high
