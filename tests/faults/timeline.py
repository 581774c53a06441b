"""Which faults happen when: drawn from a seed."""

from random import Random
from typing import Final, Literal, NamedTuple

Kind = Literal["cut", "mute", "lose answers", "kill server", "kill worker", "crash database"]
KINDS: Final[tuple[Kind, ...]] = ("cut", "mute", "lose answers", "kill server", "kill worker", "crash database")
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


def drawn(seed: int, seconds: float, hosts: int) -> list[Fault]:
    """Draw faults one after the other, each kind once before any comes again.

    >>> [fault.kind for fault in drawn(1, 60, 2)] == [fault.kind for fault in drawn(1, 60, 2)]
    True
    >>> {fault.kind for fault in drawn(7, 60, 2)} == {*KINDS}
    True
    """
    chance = Random(seed)  # noqa: S311 - repeatable on purpose
    faults: list[Fault] = []
    at = 2.0
    left: list[Kind] = []
    while True:
        if not left:
            left = chance.sample(KINDS, len(KINDS))
        lasts = round(chance.uniform(2, LONGEST), 1)
        if at + lasts > seconds:
            return faults
        faults.append(Fault(round(at, 1), left.pop(), chance.randrange(hosts), lasts))
        at += lasts + chance.uniform(0.5, 2)
