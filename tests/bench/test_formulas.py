"""The evaluator itself, since every derivation is held against it."""

import pytest
from scipy import stats

from cotterline.bench.derivation import Step
from tests.bench.formulas import check_steps, evaluate


@pytest.mark.parametrize(
    ("formula", "expected"),
    [
        ("(a + b) / 2", 2.5),
        ("-a ** 2", -4.0),
        ("2 * sqrt(a ** 2 + b ** 2)", 7.211102550927978),
        ("degrees(atan(a / b))", 33.690067525979785),
        ("tan(radians(45))", 1.0),
        ("max(a - b, b - a)", 1.0),
        ("floor(b / a) + ceil(b / a)", 3.0),
        ("exp(log10(100))", 7.38905609893065),
    ],
)
def test_arithmetic_is_evaluated_as_written(formula: str, expected: float) -> None:
    assert evaluate(formula, {"a": 2.0, "b": 3.0}) == pytest.approx(expected)


def test_phi_is_the_normal_distribution_function() -> None:
    assert evaluate("phi(z)", {"z": 1.234}) == pytest.approx(float(stats.norm.cdf(1.234)), abs=1e-12)


@pytest.mark.parametrize("formula", ["missing + 1", "open('x')", "a.real", "'x'", "[a]", "a if b else 1", "a // b"])
def test_anything_but_arithmetic_over_the_inputs_is_refused(formula: str) -> None:
    with pytest.raises(ValueError, match="not arithmetic"):
        evaluate(formula, {"a": 2.0, "b": 3.0})


def test_a_formula_that_does_not_give_its_value_is_found() -> None:
    with pytest.raises(AssertionError):
        check_steps([Step("sum", "a + b", {"a": 1.0, "b": 2.0}, 3.1, "mm", "arithmetic")])


def test_an_empty_derivation_is_found() -> None:
    with pytest.raises(AssertionError):
        check_steps([])
