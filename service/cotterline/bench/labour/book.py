"""The labour book: what each operation takes, and what may go wrong with it. A shop replaces any row of it.

Every figure of the shipped book is invented (``data/labour_book.toml``): a place to start from, not a finding.
"""

from typing import Annotated, Final, Literal

import msgspec
from msgspec import UNSET, Meta, UnsetType

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
    "pedals_fitted",
    "cottered",
    "square_taper_old",
    "splined_old",
    "one_piece_old",
    "crank_unknown",
    "threaded_cups",
    "plain_shell",
    "unit_to_fit",
    "order_withheld",
    "two_lengths",
    "second_length_possible",
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
Time = Annotated[float, Meta(ge=0, le=2000, description="Minutes.")]
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
        chance_from: ``book``, or ``spindle`` for what is predicted of the spindle's length: with a cost, that no
            length ordered lands within the tolerance; without one, that the first does not and another does. Where
            nothing is predicted, ``chance`` holds.
        cost: what it costs besides time.
    """

    operation: OperationId
    name: Name
    chance: Annotated[float, Meta(ge=0, le=0.95)]
    extra: Minutes
    odds: dict[Factor, Annotated[float, Meta(ge=0.01, le=100)]] = {}
    after: ContingencyId | UnsetType = UNSET
    ask: bool = False
    question: Annotated[str, Meta(max_length=400, pattern=NO_NUL)] = ""
    chance_from: Literal["book", "spindle"] = "book"
    cost: Literal["none", "exchange"] = "none"


class LabourBook(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """All operations and contingencies of a shop, by id; the order of the operations is the order of the bench."""

    operations: Annotated[dict[OperationId, Operation], Meta(max_length=200)]
    contingencies: Annotated[dict[ContingencyId, Contingency], Meta(max_length=200)] = {}


MOST_MINUTES: Final = 10_000
"""Most minutes all rows of a book may come to together at their longest: beyond it a job is no bench job."""
