"""An order in a supplier's own JSON, by an expression of JMESPath over this service's document.

A shop writes the expression and the service evaluates it, so what it may take is bounded. JMESPath (its specification
stands at jmespath.org) has no loops, but lists that double at every step come to the same: every value on the way is
weighed as it would be written, however often its members are the same, and so is all that is looked at. The one
function that makes more than it is handed, ``join``, is weighed before it is called. It may still take a second: run it
beside whatever must not wait.
"""

import math
from collections.abc import Iterator
from typing import Any, Final

import jmespath
import msgspec
from jmespath.exceptions import JMESPathError
from jmespath.functions import Functions, signature
from jmespath.visitor import Options, TreeInterpreter

from cotterline.bench.errors import CotterlineError, Fault

MAX_BYTES: Final = 256 * 1024
"""The longest body a mapping may make, and the heaviest value on the way to it."""

_STEP: Final = 10
"""What a step weighs by itself, however little it looks at."""

_MAX_WORK: Final = 5_000_000
"""The weight of all steps and of all values looked at: about a second."""

_BROKEN = (JMESPathError, ArithmeticError, AttributeError, LookupError, TypeError, ValueError, RecursionError)
"""What the library raises for an expression or a document it cannot work with; not all of it is its own."""


class _RefusedError(Exception):
    """An expression wants more than it may have, or makes what cannot be sent."""


def _too_long() -> _RefusedError:
    return _RefusedError(f"makes something longer than {MAX_BYTES} bytes on the way")


class _Functions(Functions):
    """Those of the language, none of which makes more than it may."""

    @signature({"types": ["string"]}, {"types": ["array-string"]})
    def _func_join(self, separator: str, array: list[str]) -> str:
        """Join as the library does, unless a long separator and a long array would make something huge at once."""
        if len(separator) * len(array) > MAX_BYTES:
            raise _too_long()
        return separator.join(array)


class _Bounded(TreeInterpreter):
    """Evaluates an expression within bounds."""

    def __init__(self) -> None:
        super().__init__(Options(custom_functions=_Functions()))
        self._weights: dict[int, tuple[object, int]] = {}
        self._work = 0

    def visit(self, node: Any, *args: Any, **kwargs: Any) -> Any:  # noqa: ANN401 - the library's nodes and values are untyped
        """One step of the evaluation."""
        value = super().visit(node, *args, **kwargs)
        self._work += _STEP + self._weight(value)
        if self._work > _MAX_WORK:
            raise _RefusedError("takes too many steps")
        return value

    def _weight(self, value: object) -> int:
        """About how many bytes a value takes once written; a member that is there twice counts twice."""
        if isinstance(value, float) and not math.isfinite(value):
            raise _RefusedError("makes a number that JSON does not have")
        if isinstance(value, int):
            return 1 + value.bit_length() // 4
        if not isinstance(value, str | dict | list):
            return 1
        # Values stay in the table, so that no other gets their identity while it is in use.
        known = self._weights.get(id(value))
        if known is None:
            known = self._weights[id(value)] = value, self._new_weight(value)
        return known[1]

    def _new_weight(self, value: str | dict[str, object] | list[object]) -> int:
        if isinstance(value, str):
            weight = len(value)
        elif isinstance(value, dict):
            weight = sum(len(name) + self._weight(member) for name, member in value.items())
        else:
            weight = sum(1 + self._weight(member) for member in value)
        if weight > MAX_BYTES:
            raise _too_long()
        return weight


def check_mapping(expression: str, pointer: str) -> Iterator[Fault]:
    """Yield a fault where an expression is no JMESPath.

    >>> [fault.pointer for fault in check_mapping("lines[", "/body/expression")]
    ['/body/expression']
    """
    try:
        jmespath.compile(expression)
    except _BROKEN as error:
        yield Fault(pointer, f"is no JMESPath: {_first_line(error)}")


def mapped(document: bytes, expression: str, pointer: str = "") -> bytes:
    """What an expression makes of a document, as JSON.

    Args:
        document: JSON.
        expression: JMESPath.
        pointer: where the expression stands in a request, for faults.

    Raises:
        CotterlineError: ``impossible-value`` where the expression is none, cannot be evaluated over this document,
            takes more than it may, or makes anything but an object or an array of at most 256 KB.

    >>> mapped(b'{"lines": [{"code": "U-113"}]}', "{items: lines[].code}")
    b'{"items":["U-113"]}'
    """
    try:
        value = _Bounded().visit(jmespath.compile(expression).parsed, msgspec.json.decode(document))
        content = msgspec.json.encode(value)
    except _RefusedError as error:
        raise _refused(pointer, str(error)) from error
    except _BROKEN as error:
        raise _refused(pointer, f"cannot be evaluated over this document: {_first_line(error)}") from error
    if not isinstance(value, dict | list):
        raise _refused(pointer, f"makes {content[:40].decode(errors='replace')}; an object or an array is sent")
    if len(content) > MAX_BYTES:
        raise _refused(pointer, f"makes {len(content)} bytes, more than {MAX_BYTES}")
    return content


def _refused(pointer: str, words: str) -> CotterlineError:
    return CotterlineError("impossible-value", "The mapping makes nothing that can be sent.", [Fault(pointer, words)])


def _first_line(error: Exception) -> str:
    return str(error).split("\n", 1)[0][:200] or type(error).__name__
