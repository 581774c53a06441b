"""Evaluates the formulas that derivations record, with nothing but arithmetic in reach."""

import ast
import math
import operator
from collections.abc import Callable, Iterable, Mapping

from cotterline.bench.derivation import Step

_BINARY: Mapping[type[ast.operator], Callable[[float, float], float]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
    ast.Pow: operator.pow,
}
_UNARY: Mapping[type[ast.unaryop], Callable[[float], float]] = {ast.UAdd: operator.pos, ast.USub: operator.neg}


def _phi(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


_NAMES: Mapping[str, Callable[..., float]] = {
    "abs": abs,
    "sqrt": math.sqrt,
    "exp": math.exp,
    "log10": math.log10,
    "tan": math.tan,
    "atan": math.atan,
    "radians": math.radians,
    "degrees": math.degrees,
    "floor": math.floor,
    "ceil": math.ceil,
    "min": min,
    "max": max,
    "phi": _phi,
}


def evaluate(formula: str, inputs: Mapping[str, float]) -> float:
    """The value of ``formula`` with ``inputs``; anything but the listed arithmetic is a ``ValueError``."""
    return _value(ast.parse(formula, mode="eval").body, inputs)


def check_steps(steps: Iterable[Step]) -> list[Step]:
    """Assert that every recorded formula, with its recorded inputs, gives its recorded value; hand the steps back.

    Inputs are recorded to nine decimals, so a value agrees within a millionth.
    """
    checked = list(steps)
    assert checked, "nothing was recorded"
    for step in checked:
        outcome = evaluate(step.formula, step.inputs)
        assert math.isclose(outcome, step.value, rel_tol=1e-6, abs_tol=1e-6), (step, outcome)
        assert step.source.strip(), step
        assert step.unit.strip(), step
    return checked


def _value(node: ast.expr, inputs: Mapping[str, float]) -> float:
    match node:
        case ast.Constant(value=int() | float() as number):
            return float(number)
        case ast.Name(id=name) if name in inputs:
            return inputs[name]
        case ast.UnaryOp(op=op, operand=operand) if type(op) in _UNARY:
            return _UNARY[type(op)](_value(operand, inputs))
        case ast.BinOp(left=left, op=operation, right=right) if type(operation) in _BINARY:
            return _BINARY[type(operation)](_value(left, inputs), _value(right, inputs))
        case ast.Call(func=ast.Name(id=name), args=arguments, keywords=[]) if name in _NAMES:
            return _NAMES[name](*(_value(argument, inputs) for argument in arguments))
    raise ValueError(f"not arithmetic over the inputs: {ast.unparse(node)}")
