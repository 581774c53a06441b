"""Why a job is not to be ordered yet, said anew in the reader's words from codes and numbers."""

from collections.abc import Iterator, Sequence
from typing import Final

from msgspec import UnsetType

from cotterline.bench.errors import Fault
from cotterline.bench.quotes import QuoteRequest, QuoteResult
from cotterline.bench.shell.families import FAMILIES, FamilyId
from cotterline.bench.shell.order_conditions import OrderCondition
from cotterline.documents.language import Language
from cotterline.documents.observed import observed
from cotterline.documents.words import MISSING, MISSING_LINE, PLAIN, UNMET

_RIVALS: Final = 5
_CONTRADICTIONS: Final = 3


def reasons(request: QuoteRequest, result: QuoteResult, language: Language) -> Iterator[str]:
    """Everything that stands against an order, in the order the bench would see to it."""
    yield from _contradicted(request, result, language)
    for condition in result.verdict.order_conditions:
        if not condition.met and not (condition.condition == "nothing_contradicts" and result.verdict.contradictions):
            yield _unmet(condition, result, language)
    for fault in result.missing:
        yield _missing(fault, language)
    if all(condition.met for condition in result.verdict.order_conditions) and not result.missing:
        yield from map(language.say, result.ordering.reasons)


def _contradicted(request: QuoteRequest, result: QuoteResult, language: Language) -> list[str]:
    """The observations that the rest does not bear out; more than a few are counted."""
    said = [
        _contradiction(observed(request.evidence[item.item], language), item.fits, item.against, language)
        for item in result.verdict.contradictions
    ]
    return (
        said
        if len(said) <= _CONTRADICTIONS
        else [*said[:_CONTRADICTIONS], _more(len(said) - _CONTRADICTIONS, language)]
    )


def listed(words: Sequence[str], most: int, language: Language) -> str:
    """Words in a row, and how many more there are."""
    more = [_more(len(words) - most, language)] if len(words) > most else []
    return "; ".join([*words[:most], *more])


def _more(count: int, language: Language) -> str:
    return language.say("and {count} more, as the quote has them", count=count)


def _contradiction(seen: str, fits: FamilyId | UnsetType, against: FamilyId, language: Language) -> str:
    rest = language.say(FAMILIES[against].name)
    if isinstance(fits, UnsetType):
        return language.say("Take again: {seen}. It fits no shell the trade knows.", seen=seen)
    if fits == against:
        return language.say("Take again: {seen}. It does not go with the rest.", seen=seen)
    other = language.say(FAMILIES[fits].name)
    return language.say("Take again: {seen}. It fits {other}; all else says {rest}.", seen=seen, other=other, rest=rest)


def _unmet(condition: OrderCondition, result: QuoteResult, language: Language) -> str:
    leading = result.verdict.leading
    if condition.condition == "thread_observed" and not FAMILIES[leading.drive].threaded:
        return language.say(PLAIN)
    rivals = () if isinstance(condition.rivals, UnsetType) else condition.rivals
    names = [language.say(FAMILIES[rival].name) for rival in rivals]
    return language.say(
        UNMET[condition.condition],
        rivals=listed(names, _RIVALS, language),
        probability=language.percent(leading.probability, 1),
        wanted=language.percent(result.settings.order_probability, 1),
        width=language.length(result.verdict.shell_width.nominal),
    )


def _missing(fault: Fault, language: Language) -> str:
    return language.say(MISSING.get(fault.pointer, MISSING_LINE))
