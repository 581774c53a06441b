"""Whether work still fits under the ceiling a customer agreed to, now that something went wrong.

What happened is made certain in the labour book and the job is planned and priced again, so the answer is the exact
distribution of what it comes to from here. Where an operation is done several times, it is taken to go wrong each
time: too early a question costs a call, too late a one the customer's trust.
"""

from collections.abc import Sequence
from typing import Annotated, Final

import msgspec
from msgspec import UNSET, Meta, UnsetType

from cotterline.bench.approvals import written
from cotterline.bench.errors import Fault
from cotterline.bench.estimates import Estimate, MoneyRange
from cotterline.bench.labour.book import ContingencyId, LabourBook
from cotterline.bench.money import Money
from cotterline.bench.quantity import refuse

_CERTAIN: Final = 1 - 1e-6
"""Odds have no number for what is certain."""


class CeilingCheckRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How far the work is.

    Attributes:
        minutes_spent: on the job until now.
        happened: ids of the contingencies that came true, as the labour book and the plan name them.
        charged_so_far: what the customer was charged or told already.
    """

    minutes_spent: Annotated[float, Meta(ge=0, le=10_000)]
    happened: Annotated[tuple[ContingencyId, ...], Meta(max_length=40)] = ()
    charged_so_far: Money | UnsetType = UNSET


class CeilingCheck(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Whether the work still fits.

    Attributes:
        fits: whether what suffices with probability 0.9 is within the ceiling, nothing is unpriced, and neither time
            nor charge has gone beyond it already.
        ceiling: the one in force.
        comes_to: what the whole job comes to, now that this happened.
        reasons: why it does not fit; empty where it does.
        words: to ask the customer with; left out where nobody needs to be asked.
    """

    fits: bool
    ceiling: Money
    comes_to: MoneyRange
    reasons: tuple[str, ...]
    words: str | UnsetType = UNSET


def book_after(book: LabourBook, happened: Sequence[ContingencyId], pointer: str = "/happened") -> LabourBook:
    """The book in which what happened is certain, whatever it followed on included.

    Raises:
        CotterlineError: ``impossible-value`` for what the book does not know.
    """
    refuse(
        [
            Fault(f"{pointer}/{index}", f"the labour book has no contingency {name}")
            for index, name in enumerate(happened)
            if name not in book.contingencies
        ]
    )
    rows = dict(book.contingencies)
    waiting = [*happened]
    while waiting:
        name = waiting.pop()
        row = rows[name]
        rows[name] = msgspec.structs.replace(row, chance=_CERTAIN, chance_from="book", odds={})
        if isinstance(row.after, str):
            waiting.append(row.after)
    return msgspec.structs.replace(book, contingencies=rows)


def check_ceiling(asked: CeilingCheckRequest, estimate: Estimate, ceiling: Money) -> CeilingCheck:
    """Hold what the job comes to now against the ceiling.

    Args:
        asked: how far the work is.
        estimate: of the job by :func:`book_after`, in the ceiling's currency.
        ceiling: in force.
    """
    money = estimate.money
    charged = asked.charged_so_far
    reasons = []
    if money.p90.decimal > ceiling.decimal:
        reasons.append(f"It may come to {written(money.p90)}; agreed are {written(ceiling)}.")
    if not money.complete:
        missing = ", ".join(item.what for item in estimate.missing_prices)
        reasons.append(f"Nobody knows the price of: {missing}.")
    if asked.minutes_spent > estimate.minutes.p90:
        reasons.append(f"{asked.minutes_spent:g} minutes are spent; {estimate.minutes.p90} were to suffice.")
    if isinstance(charged, Money) and charged.decimal > ceiling.decimal:
        reasons.append(f"{written(charged)} are charged already.")
    return CeilingCheck(
        fits=not reasons,
        ceiling=ceiling,
        comes_to=money,
        reasons=tuple(reasons),
        words=_words(asked, estimate, reasons) if reasons else UNSET,
    )


def _words(asked: CeilingCheckRequest, estimate: Estimate, reasons: Sequence[str]) -> str:
    asks = [point.question for point in estimate.decision_points if point.contingency in asked.happened]
    expected, most = written(estimate.money.expected), written(estimate.money.p90)
    offer = f"We expect {expected} in all now, and {most} should suffice. May we go on up to that?"
    return " ".join([*asks, *reasons, offer])
