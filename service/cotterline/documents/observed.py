"""What was observed of a bicycle, in a reader's words."""

from msgspec import UnsetType

from cotterline.bench.quantity import Reading
from cotterline.bench.shell.evidence import (
    Bore,
    CrestCount,
    CupFittings,
    CupHand,
    Evidence,
    OldCrank,
    Origin,
    PitchGauge,
    Stamp,
    kind,
    side,
)
from cotterline.documents.language import Language
from cotterline.documents.words import LEAVES, LOOKS, OBSERVED, SIDES, TOOLS


def observed(item: Evidence, language: Language) -> str:
    """One observation.

    >>> from cotterline.bench.shell.evidence import ShellWidth
    >>> observed(ShellWidth(reading=Reading(value=67)), Language.of("en"))
    'shell width 67 mm (ruler)'
    """
    where, size = side(item), getattr(item, "reading", None) or getattr(item, "length", None)
    return language.say(
        OBSERVED[kind(item)],
        side=language.say(SIDES[where]) if where else "",
        size=read(size, language) if isinstance(size, Reading) else "",
        count=item.crests if isinstance(item, CrestCount) else "",
        leaf=f"{language.number(item.leaf)} {language.say(LEAVES[item.leaf_unit])}"
        if isinstance(item, PitchGauge)
        else "",
        look=_look(item, language),
        text=item.text if isinstance(item, Stamp) else _made(item, language),
    )


def read(reading: Reading, language: Language) -> str:
    """A reading as it was taken: in its own unit, with its plus-minus or else its tool."""
    places = 2 if reading.unit == "mm" else 3
    value = language.number(reading.value, places)
    if isinstance(reading.plus_minus, UnsetType):
        return f"{value} {reading.unit} ({language.say(TOOLS[reading.tool])})"
    return f"{value} ± {language.number(reading.plus_minus, places)} {reading.unit}"


def _look(item: Evidence, language: Language) -> str:
    match item:
        case Bore():
            return language.say(LOOKS[item.look])
        case CupHand():
            return language.say(LOOKS[item.hand])
        case CupFittings():
            return language.say(LOOKS[item.raised])
        case OldCrank():
            return language.say(LOOKS[item.crank])
        case _:
            return ""


def _made(item: Evidence, language: Language) -> str:
    if not isinstance(item, Origin):
        return ""
    country = item.country if isinstance(item.country, str) else ""
    years = "–".join(dict.fromkeys(map(str, item.years or ())))
    return ", ".join(part for part in (language.locale.territories.get(country, country), years) if part)
