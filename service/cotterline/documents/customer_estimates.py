"""An estimate as its customer sees it: a page that asks for an answer, and the pages that are left once there is none.

Everything on them is kept with the revision that was quoted, or was worked out from that. They need no script, no
cookie and nothing from elsewhere. What the law of a place asks for they do not say: whoever wonders asks the shop.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, Final, Literal

import msgspec
from markupsafe import Markup
from msgspec import UNSET, UnsetType

from cotterline.bench.customer_estimates import Choice, KeptOffer, open_options
from cotterline.bench.estimates import NoticeCode
from cotterline.bench.labour.book import OptionId
from cotterline.bench.money import Money
from cotterline.documents.drawings.cost import cost_distribution
from cotterline.documents.language import Language
from cotterline.documents.templates import Page, page
from cotterline.documents.words import TERMS

TroubleKind = Literal["changed", "options", "name"]
ClosedKind = Literal[
    "approved",
    "declined",
    "expired",
    "ended",
    "revised",
    "agreed-elsewhere",
    "declined-elsewhere",
    "closed",
    "unknown",
    "foreign",
    "unreadable",
    "too-often",
    "failed",
]
Since = Literal["extended", "revised", "declined", "closed", "ordered"]
"""What happened after the customer agreed."""


class Sheet(msgspec.Struct, frozen=True, kw_only=True):
    """What stands on every page of a link.

    Attributes:
        shop: name of the shop.
        trial: whether it is test data.
        reference: the shop's own name for the job.
    """

    shop: str
    trial: bool = False
    reference: str | None = None


class Asked(msgspec.Struct, frozen=True, kw_only=True):
    """What the customer is asked to agree to.

    Attributes:
        offer: what was quoted.
        choice: what it comes to with the options chosen.
        expires_at: until when it can be answered.
    """

    offer: KeptOffer
    choice: Choice
    expires_at: datetime


class Form(msgspec.Struct, frozen=True, kw_only=True):
    """The form an answer comes with.

    Attributes:
        action: where it goes, as an address relative to the page.
        seal: proves that what was shown was shown by this service.
        name: what was entered before.
        trouble: why the page is shown anew.
    """

    action: str
    seal: str
    name: str = ""
    trouble: TroubleKind | None = None


class Answered(msgspec.Struct, frozen=True, kw_only=True):
    """What a customer said by a link.

    Attributes:
        at: when.
        ceiling: up to what was agreed, where it was.
        options: that were agreed to, in words.
        since: what happened after that.
        now: the ceiling in force, if one is.
    """

    at: datetime
    ceiling: Money | UnsetType = UNSET
    options: tuple[str, ...] = ()
    since: Since | None = None
    now: Money | UnsetType = UNSET


TROUBLES: Final[Mapping[TroubleKind, tuple[str, str]]] = {
    "changed": (
        "Please look again",
        "What you answered is not what stands here now. Nothing was sent: look again, then answer.",
    ),
    "options": (
        "Please look at the new price",
        "You ticked other options than the price was shown for. Here is the price with them: look at it, then answer.",
    ),
    "name": ("Your name is missing", "Enter your name, so that the shop knows who agreed."),
}
"""Why a page is shown anew: a heading, and what to do."""

_PLACES: Final[Mapping[TroubleKind, str]] = {"changed": "cost", "options": "cost", "name": "name"}
"""Where on the page that is to be done."""

CLOSED: Final[Mapping[ClosedKind, tuple[str, ...]]] = {
    "approved": (
        "You have agreed",
        "You agreed on {day}, up to {ceiling}.",
        "If you change your mind, tell {shop} soon: the parts may be ordered and the work begun.",
    ),
    "declined": (
        "You have declined",
        "You declined this estimate on {day}.",
        "If you have changed your mind, ask {shop} for a new link.",
    ),
    "expired": ("This link has run out", "It could be answered until {time}.", "Ask {shop} for a new one."),
    "ended": ("This link is no longer in use", "Ask {shop} for a new one if you need it."),
    "revised": ("This estimate has changed", "{shop} has changed it since. Ask for a new link."),
    "agreed-elsewhere": (
        "This estimate is agreed already",
        "It was answered another way. If that was not you, ask {shop}.",
    ),
    "declined-elsewhere": (
        "This estimate was declined",
        "It was answered another way. If that was not you, ask {shop}.",
    ),
    "closed": ("This job is closed", "If you have a question about it, ask {shop}."),
    "unknown": (
        "There is nothing here",
        "This address opens nothing. See whether it was copied whole, or ask whoever sent it to you.",
    ),
    "foreign": (
        "Nothing was sent",
        "The answer came from another page than ours. Open the link you were sent, and answer there.",
    ),
    "unreadable": ("Nothing was sent", "The answer could not be read. Open the link you were sent, and answer again."),
    "too-often": ("Too many tries", "Wait a minute, then open the link again."),
    "failed": ("This does not work right now", "Nothing was changed. Open the link again in a few minutes."),
}
"""Of each page the heading, then its lines."""

SINCE: Final[Mapping[Since, str]] = {
    "extended": "Since then a higher amount was agreed: at most {now}.",
    "revised": "Since then {shop} has changed the estimate, so this no longer holds. Ask for a new link.",
    "declined": "Since then the job was called off, so this no longer holds.",
    "closed": "The job is closed since.",
    "ordered": "The parts have been ordered.",
}
NOTICES: Final[Mapping[NoticeCode, str]] = {
    "not-a-fixed-price": "This is an estimate, not a fixed price.",
    "no-exchange-in-bill": "The bill is for the case that the first spindle fits; the range counts the other case too.",
    "invented-pricing": "{shop} has set no prices of its own yet: these amounts are examples.",
    "no-pricing": "{shop} has set no prices for work yet.",
    "before-ordering": "This is for the work until it is certain which parts fit. All after that is priced then.",
    "no-tax-rate": "Ask {shop} whether taxes come on top.",
}
"""What a customer must be told beside the figures; other notices are for the shop."""

BILL_WORDS: Final = (
    "Work at the bench",
    "Cutting work on the frame's threads and faces",
    "Frame builder's work",
    "Up to the minimum charge for labour",
    "Delivery of parts",
    "Sending a spindle back",
)
"""What a bill's lines are called that neither shop nor supplier named."""


def asking(sheet: Sheet, asked: Asked, form: Form, language: Language) -> Page:
    """The page that shows an estimate and asks for an answer.

    Args:
        sheet: whose it is.
        asked: what is asked.
        form: what the answer comes with.
        language: to say it in.
    """
    options = asked.offer.estimate.options
    offered = open_options(asked.offer.estimate)
    return _page(
        "estimate_open.html",
        language,
        **_members(sheet),
        **_members(asked),
        **_members(form) | {"trouble": _trouble(form.trouble, language)},
        options=offered,
        ticked=asked.choice.options,
        chosen=option_names(asked.offer, asked.choice.options, language),
        included=[language.say(option.name) for option in options if option.included],
        unpriced=[language.say(row.name) for row in options if not row.included and row not in offered],
        notices=[*_notices(asked.offer, sheet, language)],
        terms=TERMS,
        drawing=_drawing(asked, language),
    )


def _drawing(asked: Asked, language: Language) -> Markup | None:
    """What such jobs would cost; none of a price with options, whose spread is not known."""
    estimate = asked.offer.estimate
    if asked.choice.options or not estimate.money.curve:
        return None
    drawn = cost_distribution(estimate.money, estimate.ceiling, language)
    return Markup(drawn)  # noqa: S704 - of our own, escaped as it was written


def closed(kind: ClosedKind, language: Language, sheet: Sheet | None = None, **values: object) -> Page:
    """A page of a link that asks nothing.

    Args:
        kind: which page.
        language: to say it in.
        sheet: whose link it is; none where nobody's.
        values: what its lines name besides the shop.
    """
    named = {"shop": sheet.shop if sheet else "", **values}
    heading, *lines = (language.say(words, **named) for words in CLOSED[kind])
    return _closed(heading, lines, language, sheet)


def answered(said: Answered, sheet: Sheet, language: Language) -> Page:
    """The page of a link that was answered: what was said by it, and what has become of that."""
    kind: ClosedKind = "declined" if isinstance(said.ceiling, UnsetType) else "approved"
    named = {"shop": sheet.shop, "day": language.day(said.at)}
    named |= {name: language.money(most) for name, most in (("ceiling", said.ceiling), ("now", said.now)) if most}
    heading, *lines = (language.say(words, **named) for words in CLOSED[kind])
    if said.since is not None:
        lines[1:] = [language.say(SINCE[said.since], **named)]
    return _closed(heading, lines, language, sheet, ceiling=named.get("now", ""), chosen=said.options)


def option_names(offer: KeptOffer, options: Sequence[OptionId], language: Language) -> tuple[str, ...]:
    """Options of an estimate in words."""
    return tuple(language.say(row.name) for row in offer.estimate.options if row.option in options)


def _closed(heading: str, lines: Sequence[str], language: Language, sheet: Sheet | None, **more: object) -> Page:
    members = _members(sheet) if sheet else {"shop": "", "trial": False, "reference": None}
    return _page(
        "estimate_closed.html",
        language,
        **members | {"heading": heading, "lines": lines, "ceiling": "", "chosen": ()} | more,
    )


def _page(template: str, language: Language, **values: object) -> Page:
    return page(template, ["estimate.css"], language, {**values, "money": language.money}, forms="'self'")


def _members(struct: msgspec.Struct) -> dict[str, Any]:
    """The members of a struct by name, those left out as None, which a template takes for nothing."""
    return {name: getattr(struct, name) for name in struct.__struct_fields__}


def _trouble(kind: TroubleKind | None, language: Language) -> Mapping[str, str] | None:
    if kind is None:
        return None
    heading, words = map(language.say, TROUBLES[kind])
    return {"heading": heading, "words": words, "at": _PLACES[kind]}


def _notices(offer: KeptOffer, sheet: Sheet, language: Language) -> Sequence[str]:
    codes = [notice.code for notice in offer.estimate.notices if notice.code in NOTICES]
    return [language.say(NOTICES[code], shop=sheet.shop) for code in codes]
