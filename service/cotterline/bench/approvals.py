"""What a customer agrees to: a ceiling, and the options chosen. Work beyond it is asked for again.

Common practice of workshops, no source; what the law of a place asks for besides is not decided here.
"""

from collections.abc import Collection, Iterator
from typing import Annotated, Literal

import msgspec
from msgspec import UNSET, Meta, UnsetType

from cotterline.bench.errors import CotterlineError, Fault
from cotterline.bench.labour.book import OptionId
from cotterline.bench.money import Money, check_price
from cotterline.bench.shop import NO_NUL

Means = Literal["in_person", "telephone", "message", "letter", "link"]
EndOfApproval = Literal["extended", "declined", "revised", "closed"]


class ApprovalRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a customer agreed to.

    Attributes:
        ceiling: the most the whole job may come to, in the currency of the estimate.
        options: which of the estimate's options are wanted; left out, none, or to extend those agreed to before.
        by: who agreed, as the name was given.
        how: how the customer said so.
    """

    ceiling: Money
    options: Annotated[tuple[OptionId, ...], Meta(max_length=7)] | UnsetType = UNSET
    by: Annotated[str, Meta(min_length=1, max_length=200, pattern=NO_NUL)]
    how: Means


def check_approval(asked: ApprovalRequest, currency: str, offered: Collection[str], pointer: str) -> Iterator[Fault]:
    """Yield what does not fit the estimate that is agreed to.

    Args:
        asked: what the customer agreed to.
        currency: of the estimate.
        offered: the estimate's options.
        pointer: where ``asked`` stands.
    """
    yield from _check_amount(asked.ceiling, currency, f"{pointer}/ceiling")
    options = asked.options or ()
    for index, option in enumerate(options):
        if option not in offered:
            yield Fault(f"{pointer}/options/{index}", f"the estimate offers no {option}")
        elif option in options[:index]:
            yield Fault(f"{pointer}/options/{index}", f"{option} is given more than once")


def check_extension(asked: ApprovalRequest, before: Money, pointer: str) -> Iterator[Fault]:
    """Yield a fault where a new ceiling is not above the one in force.

    >>> approval = ApprovalRequest(ceiling=Money(amount="80", currency="EUR"), by="Ada", how="letter")
    >>> [fault.pointer for fault in check_extension(approval, Money(amount="80.00", currency="EUR"), "/approval")]
    ['/approval/ceiling/amount']
    """
    if asked.ceiling.decimal <= before.decimal:
        yield Fault(f"{pointer}/ceiling/amount", f"must be above {written(before)}, which is agreed already")


def check_charge(charged: Money, ceiling: Money, pointer: str) -> Iterator[Fault]:
    """Yield what is wrong with an amount that was charged, its height apart."""
    yield from _check_amount(charged, ceiling.currency, pointer)


def hold_to_ceiling(charged: Money, ceiling: Money) -> None:
    """Hold that no more is charged than was agreed.

    Raises:
        CotterlineError: ``beyond-ceiling``.
    """
    if charged.decimal > ceiling.decimal:
        words = f"{written(charged)} is more than {written(ceiling)}, to which the customer agreed."
        raise CotterlineError("beyond-ceiling", words)


def written(money: Money) -> str:
    """An amount in words.

    >>> written(Money(amount="80", currency="EUR"))
    '80 EUR'
    """
    return f"{money.amount} {money.currency}"


def _check_amount(amount: Money, currency: str, pointer: str) -> Iterator[Fault]:
    yield from check_price(amount, pointer)
    if amount.currency != currency:
        yield Fault(f"{pointer}/currency", f"must be {currency}, as the estimate is")
