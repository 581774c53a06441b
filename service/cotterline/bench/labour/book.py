"""The labour book: what each operation takes, and what may go wrong with it. A shop replaces any row of it.

Every figure of the shipped book is invented (``data/labour_book.toml``): a place to start from, not a finding.
"""

from collections.abc import Iterator, Mapping
from typing import Annotated, Final, Literal, get_args

import msgspec
from msgspec import UNSET, Meta, UnsetType

from cotterline.bench.caution import CAUTIONS
from cotterline.bench.data import load
from cotterline.bench.errors import Fault
from cotterline.bench.parts_data import TorqueSubject
from cotterline.bench.shop import NO_NUL

LabourClass = Literal["bench", "cutting", "frame"]
OptionId = Literal[
    "new_chain",
    "derailleur_set_up",
    "four_position_trial",
    "chase_threads",
    "face_shell",
    "second_spindle",
    "remedy",
]
Trigger = Literal[
    "always",
    "cottered",
    "square_taper_old",
    "splined_old",
    "one_piece_old",
    "crank_unknown",
    "threaded_cups",
    "plain_shell",
    "unit_to_fit",
    "order_withheld",
    "second_length",
    "threads_worn",
    "rings_to_set_up",
    "derailleur_present",
    "chain_run_poor",
    "remedy_in_workshop",
    "remedy_at_frame_builder",
]
"""When an operation is part of a job; ``plan`` decides each from the facts of the quote."""
Factor = Literal[
    "rust_none",
    "rust_light",
    "rust_heavy",
    "recently_serviced",
    "long_unserviced",
    "cup_steel",
    "cup_alloy",
    "cotter_nuts_free",
    "cotter_nuts_seized",
]
"""What may have been observed of the job; it multiplies the odds of a contingency."""

OperationId = Annotated[str, Meta(pattern=r"^[a-z][a-z0-9_]{0,39}(?![\s\S])", max_length=40)]
ContingencyId = OperationId
Name = Annotated[str, Meta(min_length=1, max_length=120, pattern=NO_NUL)]
LONGEST: Final = 2000
"""Most minutes one row may say."""
Time = Annotated[float, Meta(ge=0, le=LONGEST, description="Minutes.")]
CautionCode = Annotated[str, Meta(min_length=1, max_length=40, pattern=NO_NUL)]


class Minutes(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A time as a triangular distribution, minutes: the least, the likeliest and the most it takes."""

    low: Time
    likely: Time
    high: Time

    @property
    def mean(self) -> float:
        """Expected minutes."""
        return (self.low + self.likely + self.high) / 3


class Operation(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One piece of work.

    Attributes:
        name: in words.
        labour_class: which hourly rate it is charged at.
        minutes: of doing it once.
        when: which jobs it belongs to.
        after: operations that come before it, where the job has them.
        times: how often it is done, each time anew.
        tools: what is needed at hand.
        torque: the fastener that is drawn up in it.
        cautions: codes of the cautions that belong to it.
        option: the option it is part of; without, it belongs to every job ``when`` says.
    """

    name: Name
    labour_class: LabourClass = "bench"
    minutes: Minutes
    when: Trigger = "always"
    after: Annotated[tuple[OperationId, ...], Meta(max_length=20)] = ()
    times: Annotated[int, Meta(ge=1, le=4)] = 1
    tools: Annotated[tuple[Name, ...], Meta(max_length=12)] = ()
    torque: TorqueSubject | UnsetType = UNSET
    cautions: Annotated[tuple[CautionCode, ...], Meta(max_length=12)] = ()
    option: OptionId | UnsetType = UNSET


class Contingency(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Something that may go wrong.

    Attributes:
        operation: during which operation.
        name: in words.
        chance: that it happens, each time the operation is done, on a bike of which nothing was observed.
        extra: minutes it then takes besides.
        odds: by what each thing that may have been observed multiplies the odds.
        after: the contingency of the same operation it can only follow on; ``chance`` is then that of following.
        ask: whether work stops there and the customer is asked.
        question: what the customer is asked.
        chance_from: ``book``, or ``spindle``: the predicted chance that the first length misses the tolerance. Where a
            second is ordered with it, that none fits for a contingency with a cost, and that the first misses and
            the second fits for one without. Where nothing is predicted, ``chance`` holds.
        cost: what it costs besides time.
    """

    operation: OperationId
    name: Name
    chance: Annotated[float, Meta(ge=0, le=0.95)]
    extra: Minutes
    odds: Annotated[
        dict[Factor, Annotated[float, Meta(ge=0.01, le=100)]],
        Meta(extra_json_schema={"propertyNames": {"enum": sorted(get_args(Factor))}}),
    ] = {}
    after: ContingencyId | UnsetType = UNSET
    ask: bool = False
    question: Annotated[str, Meta(max_length=400, pattern=NO_NUL)] = ""
    chance_from: Literal["book", "spindle"] = "book"
    cost: Literal["none", "exchange"] = "none"


class LabourBook(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """All operations and contingencies of a shop, by id; the order of the operations is the order of the bench."""

    operations: Annotated[dict[OperationId, Operation], Meta(max_length=200)]
    contingencies: Annotated[dict[ContingencyId, Contingency], Meta(max_length=200)] = {}


class _ShippedBook(LabourBook, frozen=True, kw_only=True):
    edition: str
    source: str
    grade: Literal["invented"]


_SHIPPED = load("labour_book", _ShippedBook)

DEFAULT_BOOK: Final = LabourBook(operations=_SHIPPED.operations, contingencies=_SHIPPED.contingencies)
"""The book of a shop that has none of its own. Its figures are invented."""

INVENTED: Final = "Invented default figures, measured nowhere: replace them with your own."
"""What is said beside every figure that comes from ``DEFAULT_BOOK``."""

MOST_MINUTES: Final = 6_000
"""Most minutes all rows of a book may come to together at their longest: a hundred hours are no bench job."""

MOST_WITH_COST: Final = 4
"""Most contingencies of a book that may cost more than time: each doubles the cases that are priced."""


def check_book(book: LabourBook, pointer: str = "") -> Iterator[Fault]:
    """Yield what is wrong with a book: each row by itself, names that lead nowhere, and circles.

    >>> rows = {"wash": Operation(name="Wash", minutes=Minutes(low=5, likely=4, high=9), after=("dry",))}
    >>> [fault.pointer for fault in check_book(LabourBook(operations=rows))]
    ['/operations/wash/minutes', '/operations/wash/after/0']
    """
    for name, operation in book.operations.items():
        yield from _check_operation(operation, book, f"{pointer}/operations/{name}")
    for name, contingency in book.contingencies.items():
        yield from _check_contingency(contingency, book, f"{pointer}/contingencies/{name}")
    yield from _check_circles({key: row.after for key, row in book.operations.items()}, f"{pointer}/operations")
    yield from _check_circles(
        {key: _parents(row) for key, row in book.contingencies.items()}, f"{pointer}/contingencies"
    )
    yield from _check_size(book, pointer)


def _check_minutes(minutes: Minutes, pointer: str) -> Iterator[Fault]:
    if not minutes.low <= minutes.likely <= minutes.high:
        yield Fault(pointer, "must be in order: low, likely, high")


def _check_operation(operation: Operation, book: LabourBook, pointer: str) -> Iterator[Fault]:
    yield from _check_minutes(operation.minutes, f"{pointer}/minutes")
    for index, name in enumerate(operation.after):
        if name not in book.operations:
            yield Fault(f"{pointer}/after/{index}", f"the book has no operation {name}")
    for index, code in enumerate(operation.cautions):
        if code not in CAUTIONS:
            yield Fault(f"{pointer}/cautions/{index}", f"{code!r} is no caution; there are: {', '.join(CAUTIONS)}")


def _check_contingency(contingency: Contingency, book: LabourBook, pointer: str) -> Iterator[Fault]:
    yield from _check_minutes(contingency.extra, f"{pointer}/extra")
    operation = book.operations.get(contingency.operation)
    if operation is None:
        yield Fault(f"{pointer}/operation", f"the book has no operation {contingency.operation}")
    elif contingency.cost != "none" and operation.times > 1:
        yield Fault(f"{pointer}/cost", "only an operation that is done once can cost more than time")
    if contingency.ask and not contingency.question.strip():
        yield Fault(f"{pointer}/question", "where the customer is asked, it takes words to ask with")
    if isinstance(contingency.after, str):
        yield from _check_chain(contingency, contingency.after, book, pointer)


def _check_chain(contingency: Contingency, name: str, book: LabourBook, pointer: str) -> Iterator[Fault]:
    before = book.contingencies.get(name)
    if before is None:
        yield Fault(f"{pointer}/after", f"the book has no contingency {name}")
    elif before.operation != contingency.operation:
        yield Fault(f"{pointer}/after", f"{name} belongs to {before.operation}, this one to {contingency.operation}")
    if contingency.cost != "none":
        yield Fault(f"{pointer}/cost", "one that follows on another cannot cost more than time")
    if contingency.chance_from == "spindle":
        yield Fault(f"{pointer}/chance_from", "one that follows on another takes its chance from the book")


def _parents(contingency: Contingency) -> tuple[ContingencyId, ...]:
    return (contingency.after,) if isinstance(contingency.after, str) else ()


def _check_circles(after: Mapping[str, tuple[str, ...]], pointer: str) -> Iterator[Fault]:
    """Each circle once, at the first of its members: rows that all come after one another."""
    before = {name: _all_before(name, after) for name in after}
    named: set[str] = set()
    for name in after:
        if name in before[name] and name not in named:
            circle = [member for member in after if member in before[name] and name in before[member]]
            named.update(circle)
            yield Fault(f"{pointer}/{name}/after", f"these come after one another in a circle: {', '.join(circle)}")


def _all_before(name: str, after: Mapping[str, tuple[str, ...]]) -> set[str]:
    found: set[str] = set()
    waiting = list(after[name])
    while waiting:
        at = waiting.pop()
        if at not in found:
            found.add(at)
            waiting += after.get(at, ())
    return found


def _check_size(book: LabourBook, pointer: str) -> Iterator[Fault]:
    longest = sum(row.minutes.high * row.times for row in book.operations.values())
    for contingency in book.contingencies.values():
        operation = book.operations.get(contingency.operation)
        longest += contingency.extra.high * (operation.times if operation else 1)
    if longest > MOST_MINUTES:
        yield Fault(pointer, f"all rows come to {longest:g} minutes at their longest; the most is {MOST_MINUTES}")
    if sum(row.cost != "none" for row in book.contingencies.values()) > MOST_WITH_COST:
        yield Fault(f"{pointer}/contingencies", f"at most {MOST_WITH_COST} may cost more than time")
