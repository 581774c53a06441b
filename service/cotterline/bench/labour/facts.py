"""What the rest of a quote says about a job, and which operations follow from it."""

from typing import Annotated, Final, Literal

import msgspec
from msgspec import UNSET, Meta, UnsetType

from cotterline.bench.data import load
from cotterline.bench.labour.book import OptionId, Trigger

Chance = Annotated[float, Meta(ge=0, le=1)]


class RemedyFact(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A route that holds: its id, its name, and whose work it is."""

    route: str
    name: str
    who: Literal["workshop", "frame_builder"]


class JobFacts(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is known of the job. What is left out is not known.

    Attributes:
        ordering_allowed: whether thread and spindle are settled, so that a unit can be ordered and fitted.
        old_crank: as the bicycle came in.
        threaded: whether the shell has a thread.
        threads: what state it is in.
        lengths_ordered: how many spindle lengths are ordered at once.
        miss_first: predicted chance that the first length misses the tolerance.
        miss_all: that the first and the second both miss it; left out where there is no second worth ordering.
        rings: how many.
        front_derailleur: whether there is one; taken from ``rings`` where it is left out.
        gears_beyond_limit: gears whose chain runs at an angle beyond the shop's limit.
        chain_may_drop: whether the chain may fall between two rings.
        remedies: the routes that hold where no stock unit fits.
    """

    ordering_allowed: bool = False
    old_crank: Literal["cottered", "square_taper", "one_piece", "splined"] | UnsetType = UNSET
    threaded: bool | UnsetType = UNSET
    threads: Literal["sound", "worn", "stripped"] | UnsetType = UNSET
    lengths_ordered: Annotated[int, Meta(ge=1, le=2)] = 1
    miss_first: Chance | UnsetType = UNSET
    miss_all: Chance | UnsetType = UNSET
    rings: Annotated[int, Meta(ge=1, le=3)] | UnsetType = UNSET
    front_derailleur: bool | UnsetType = UNSET
    gears_beyond_limit: Annotated[int, Meta(ge=0)] = 0
    chain_may_drop: bool = False
    remedies: tuple[RemedyFact, ...] = ()


class _Reason(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    when: Trigger
    why: str


class _OptionRow(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    name: str
    reasons: tuple[_Reason, ...]


class _Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    assumptions: tuple[str, ...]
    because: dict[Trigger, str]
    option: dict[OptionId, _OptionRow]


_TABLE: Final = load("job_reasons", _Table)

ASSUMPTIONS: Final = _TABLE.assumptions
"""What every plan takes for granted."""

BECAUSE: Final = _TABLE.because
"""Why an operation belongs to a job, by what it belongs to."""


def triggers(facts: JobFacts) -> frozenset[Trigger]:
    """Which kinds of operation the job has.

    A remedy is the workshop's where any route it can take holds, so that no frame is cut without need. Chasing is no
    remedy but an operation of its own, and none for a thread that is stripped.

    >>> sorted(triggers(JobFacts(old_crank="cottered")))
    ['always', 'cottered', 'order_withheld', 'threaded_cups']
    """
    fits, routes = facts.ordering_allowed, [item for item in facts.remedies if item.route != "chase_thread"]
    chased = len(routes) < len(facts.remedies)
    in_workshop = any(item.who == "workshop" for item in routes)
    several = not isinstance(facts.rings, UnsetType) and facts.rings > 1
    derailleur = several if isinstance(facts.front_derailleur, UnsetType) else facts.front_derailleur
    second = facts.lengths_ordered > 1 or not isinstance(facts.miss_all, UnsetType)
    holds: dict[Trigger, bool] = {
        "always": True,
        "cottered": facts.old_crank == "cottered",
        "square_taper_old": facts.old_crank == "square_taper",
        "splined_old": facts.old_crank == "splined",
        "one_piece_old": facts.old_crank == "one_piece",
        "crank_unknown": isinstance(facts.old_crank, UnsetType),
        "threaded_cups": facts.threaded is not False,
        "plain_shell": facts.threaded is False,
        "unit_to_fit": fits,
        "order_withheld": not fits,
        "second_length": fits and second,
        "threads_worn": facts.threads == "worn" or (chased and facts.threads != "stripped"),
        "rings_to_set_up": fits and not isinstance(facts.rings, UnsetType),
        "derailleur_present": fits and derailleur,
        "chain_run_poor": fits and (facts.gears_beyond_limit > 0 or facts.chain_may_drop),
        "remedy_in_workshop": in_workshop,
        "remedy_at_frame_builder": bool(routes) and not in_workshop,
    }
    return frozenset(trigger for trigger, it_does in holds.items() if it_does)


def option_words(option: OptionId, facts: JobFacts, held: frozenset[Trigger] | None = None) -> tuple[str, str]:
    """Name of an option, and why this job may want it; empty where nothing speaks for it.

    Args:
        option: of the job.
        facts: of the job.
        held: their triggers, where they are known already.

    >>> option_words("chase_threads", JobFacts(threads="worn"))[0]
    "Chase the shell's threads"
    """
    row, held = _TABLE.option[option], held or triggers(facts)
    why = next((reason.why for reason in row.reasons if reason.when in held), "")
    if option == "remedy":
        who = "workshop" if "remedy_in_workshop" in held else "frame_builder"
        named = [item.name for item in facts.remedies if item.who == who and item.route != "chase_thread"]
        why = f"{why} {'; '.join(named)}.".strip()
    return row.name, why
