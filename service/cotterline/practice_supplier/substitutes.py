"""What the practice supplier proposes instead of a line: something that fits, does not fit, or is silent about it."""

from collections.abc import Iterator
from typing import Final, Literal

import msgspec

from cotterline.bench.orders import OrderDocument, OrderLine
from cotterline.bench.parts_list import ItemProperty, Measure, PropertyName
from cotterline.bench.replies import Substituted

How = Literal["substitute-good", "substitute-bad", "substitute-unknown"]

_TELLING: Final[PropertyName] = "spindle_length"
_STEP_MM: Final = 0.5
_TOO_LONG_MM: Final = 5.0
_LONGEST_CODE: Final = 58
_OTHER_WORDS: Final = "something else"


def replaceable(order: OrderDocument) -> OrderLine:
    """The line something else is proposed for: one with a spindle, else one with properties, else the first."""
    with_spindle = [line for line in order.lines if any(each.name == _TELLING for each in line.properties)]
    with_any = [line for line in order.lines if line.properties]
    return [*with_spindle, *with_any, *order.lines][0]


def proposed(line: OrderLine, how: How) -> Substituted:
    """Something else instead of a line, alike in all but the property that decides."""
    deciding = next((each for each in line.properties if each.name == _TELLING), None)
    if deciding is None and line.properties:
        deciding = line.properties[0]
    properties = tuple(_properties(line, deciding, how))
    length = next((each.value for each in properties if isinstance(each, Measure) and each.name == _TELLING), None)
    words = f", spindle {length:g} mm" if length is not None else ""
    return Substituted(
        lines=(line.number,),
        code=f"{line.code[:_LONGEST_CODE]}-S",
        name=f"Stand-in for {line.code}{words}",
        properties=properties,
    )


def _properties(line: OrderLine, deciding: ItemProperty | None, how: How) -> Iterator[ItemProperty]:
    for each in line.properties:
        if each is not deciding:
            yield _stated(each, each.value)
        elif how == "substitute-good":
            yield _stated(each, _better(each) if isinstance(each, Measure) else each.value)
        elif how == "substitute-bad":
            yield _stated(each, each.highest + _TOO_LONG_MM if isinstance(each, Measure) else _OTHER_WORDS)


def _stated(wanted: ItemProperty, value: float | str) -> ItemProperty:
    """The property as the thing proposed has it: no range, it is what it is."""
    if isinstance(wanted, Measure) and isinstance(value, float):
        return msgspec.structs.replace(wanted, value=value, lowest=value, highest=value)
    return msgspec.structs.replace(wanted, value=value, accepted=(value,))


def _better(wanted: Measure) -> float:
    """Half a millimetre nearer to the middle of what is allowed, where there is room for it."""
    off = (wanted.lowest + wanted.highest) / 2 - wanted.value
    return wanted.value + (_STEP_MM if off > 0 else -_STEP_MM) if abs(off) >= _STEP_MM else wanted.value
