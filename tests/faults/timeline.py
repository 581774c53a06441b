"""Which faults happen when: drawn from a seed."""

from random import Random
from typing import Final, Literal, NamedTuple, get_args

Kind = Literal[
    "cut",
    "mute",
    "lose answers",
    "narrow",
    "kill server",
    "kill worker",
    "crash database",
    "restart database",
    "fill disk",
    "clock forth",
    "clock back",
]
KINDS: Final[tuple[Kind, ...]] = get_args(Kind)
OF_DATABASE: Final[frozenset[Kind]] = frozenset({"crash database", "restart database", "fill disk"})
FATAL: Final[frozenset[Kind]] = frozenset({"kill server", "kill worker"})
"""After these a process begins anew."""

LONGEST: Final = 6.0
"""Seconds; longer than a client waits."""


class Fault(NamedTuple):
    """One fault.

    Attributes:
        at: seconds from the beginning of the load.
        kind: what goes wrong.
        host: which host's, by number; of no meaning for the database.
        lasts: seconds until it is mended or started again.
    """

    at: float
    kind: Kind
    host: int
    lasts: float


class Plan(NamedTuple):
    """How long, with which faults, how hard.

    Attributes:
        seed: of the faults and of the load.
        seconds: of load.
        kinds: of faults.
        between: least and most seconds between two faults.
        rest: seconds each client rests after a bicycle.
    """

    seed: int
    seconds: float
    kinds: tuple[Kind, ...] = KINDS
    between: tuple[float, float] = (0.5, 2.0)
    rest: float = 0.0


def soak(seed: int, seconds: float) -> Plan:
    """Plan few faults and an even load, and kill nobody, so that memory is seen over the whole time.

    >>> FATAL & {*soak(1, 1800).kinds}
    frozenset()
    """
    return Plan(seed, seconds, tuple(kind for kind in KINDS if kind not in FATAL), (20.0, 60.0), 1.0)


def drawn(plan: Plan, hosts: int) -> list[Fault]:
    """Draw faults one after the other, each kind once before any comes again.

    >>> [fault.kind for fault in drawn(Plan(1, 60), 2)] == [fault.kind for fault in drawn(Plan(1, 60), 2)]
    True
    >>> {fault.kind for fault in drawn(Plan(7, 90), 2)} == {*KINDS}
    True
    """
    chance = Random(plan.seed)  # noqa: S311 - repeatable on purpose
    faults: list[Fault] = []
    at = 2.0
    left: list[Kind] = []
    while True:
        if not left:
            left = chance.sample(plan.kinds, len(plan.kinds))
        lasts = round(chance.uniform(2, LONGEST), 1)
        if at + lasts > plan.seconds:
            return faults
        faults.append(Fault(round(at, 1), left.pop(), chance.randrange(hosts), lasts))
        at += lasts + chance.uniform(*plan.between)
