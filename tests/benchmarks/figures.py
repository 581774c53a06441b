"""What a benchmark found: figures, each beside the bound it is held against, and how they are told."""

from collections.abc import Iterator, Sequence
from typing import Final, NamedTuple

HEADING: Final = ("| what | measured | beside | ratio | bound | |", "| --- | --- | --- | --- | --- | --- |")


class Figure(NamedTuple):
    """One thing measured, and what it was measured beside.

    Attributes:
        what: in words.
        measured: what was found, with its unit.
        beside: what it is held against, measured in the same run, with its unit; empty where there is nothing.
        ratio: of the two; None where there is nothing beside it.
        least: the ratio is to be no less; None where that is not asked.
        most: the ratio is to be no more; None where that is not asked.
    """

    what: str
    measured: str
    beside: str = ""
    ratio: float | None = None
    least: float | None = None
    most: float | None = None

    @property
    def bound(self) -> str:
        """What the ratio is held against, in words; empty where it is only told.

        >>> Figure("echo", "2 ms", "1 ms", 0.5, least=0.6).bound
        'at least 0.6'
        """
        if self.least is not None:
            return f"at least {self.least:g}"
        return "" if self.most is None else f"at most {self.most:g}"

    @property
    def missed(self) -> bool:
        """Whether the ratio lies beyond its bound.

        >>> Figure("echo", "2 ms", "1 ms", 0.5, least=0.6).missed
        True
        """
        if self.ratio is None:
            return False
        low, high = self.least is not None and self.ratio < self.least, self.most is not None and self.ratio > self.most
        return low or high

    @property
    def verdict(self) -> str:
        """Whether it keeps to its bound; empty where it has none."""
        if not self.bound:
            return ""
        return "missed" if self.missed else "kept"

    @property
    def told(self) -> tuple[str, ...]:
        """The cells of its row."""
        ratio = "" if self.ratio is None else f"{self.ratio:.3g}"
        return self.what, self.measured, self.beside, ratio, self.bound, self.verdict


class Outcome(NamedTuple):
    """What one benchmark found.

    Attributes:
        figures: in their order.
        profile: lines on where the time went, while a bound was missed.
    """

    figures: tuple[Figure, ...]
    profile: tuple[str, ...] = ()

    @property
    def missed(self) -> bool:
        """Whether any bound was missed."""
        return any(figure.missed for figure in self.figures)


def rows(figures: Sequence[Figure]) -> Iterator[str]:
    """A table of figures, by the line."""
    yield from HEADING
    for figure in figures:
        yield f"| {' | '.join(figure.told)} |"


def told_time(seconds: float) -> str:
    """A time with the unit that suits it.

    >>> told_time(0.00123), told_time(0.0000123), told_time(2.5)
    ('1.23 ms', '12.3 µs', '2.5 s')
    """
    for size, unit in ((1.0, "s"), (1e-3, "ms")):
        if seconds >= size:
            return f"{seconds / size:.3g} {unit}"
    return f"{seconds / 1e-6:.3g} µs"


def told_size(size: float) -> str:
    """Bytes in MiB.

    >>> told_size(3 * 1024 * 1024)
    '3.0 MiB'
    """
    return f"{size / 1024**2:.1f} MiB"
