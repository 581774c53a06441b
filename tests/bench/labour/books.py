"""Small labour books, and random ones."""

from collections.abc import Iterable

from hypothesis import strategies as st

from cotterline.bench.derivation import QUIET
from cotterline.bench.labour.book import DEFAULT_BOOK, Contingency, LabourBook, LabourClass, Minutes, Operation
from cotterline.bench.labour.facts import JobFacts, RemedyFact
from cotterline.bench.labour.learning import LabourTime, learn
from cotterline.bench.labour.outlines import Outlines
from cotterline.bench.labour.pace import Pace

CLASSES: tuple[LabourClass, ...] = ("bench", "cutting", "frame")


def outlines(book: LabourBook = DEFAULT_BOOK, times: Iterable[LabourTime] = ()) -> Outlines:
    """Of a shop with this book; where it recorded no times, at the book's own pace."""
    return Outlines(Pace(book, learn(book, times, QUIET) if times else None))


def lasting(low: float, likely: float, high: float) -> Minutes:
    return Minutes(low=low, likely=likely, high=high)


def operation(low: float = 2, likely: float = 3, high: float = 5, *, after: tuple[str, ...] = ()) -> Operation:
    return Operation(name="Work", minutes=lasting(low, likely, high), after=after)


def contingency(of: str, chance: float, low: float = 1, likely: float = 2, high: float = 4) -> Contingency:
    return Contingency(operation=of, name="Trouble", chance=chance, extra=lasting(low, likely, high))


def random_minutes(longest: float = 30) -> st.SearchStrategy[Minutes]:
    time = st.floats(0, longest, allow_subnormal=False)
    return st.lists(time, min_size=3, max_size=3).map(lambda drawn: lasting(*sorted(drawn)))


@st.composite
def random_contingency(draw: st.DrawFn, operation_id: str) -> Contingency:
    return Contingency(
        operation=operation_id,
        name="Trouble",
        chance=draw(st.floats(0, 0.95)),
        extra=draw(random_minutes()),
        cost=draw(st.sampled_from(("none", "none", "exchange"))),
    )


@st.composite
def random_book(draw: st.DrawFn) -> LabourBook:
    """A book without faults: operations that come after earlier or later ones, contingencies in chains."""
    names = draw(st.permutations([f"op_{letter}" for letter in "abcdef"[: draw(st.integers(1, 6))]]))
    rank = {name: place for place, name in enumerate(draw(st.permutations(names)))}
    operations = {}
    for name in names:
        before = [other for other in names if rank[other] < rank[name]]
        operations[name] = Operation(
            name=name,
            labour_class=draw(st.sampled_from(CLASSES)),
            minutes=draw(random_minutes()),
            after=tuple(draw(st.lists(st.sampled_from(before), unique=True))) if before else (),
        )
    contingencies: dict[str, Contingency] = {}
    costing = 0
    for number in range(draw(st.integers(0, 5))):
        row = draw(random_contingency(draw(st.sampled_from(names))))
        costing += row.cost != "none"
        earlier = [key for key, other in contingencies.items() if other.operation == row.operation]
        follows = bool(earlier) and row.cost == "none" and draw(st.booleans())
        contingencies[f"risk_{number}"] = (
            Contingency(
                operation=row.operation,
                name=row.name,
                chance=row.chance,
                extra=row.extra,
                after=draw(st.sampled_from(earlier)),
            )
            if follows
            else row
        )
    return LabourBook(operations=operations, contingencies=contingencies)


def random_facts() -> st.SearchStrategy[JobFacts]:
    return st.builds(
        JobFacts,
        ordering_allowed=st.booleans(),
        old_crank=st.sampled_from(("cottered", "square_taper", "one_piece", "splined")),
        threaded=st.booleans(),
        threads=st.sampled_from(("sound", "worn", "stripped")),
        lengths_ordered=st.integers(1, 2),
        miss_first=st.floats(0, 1),
        miss_all=st.floats(0, 1),
        rings=st.integers(1, 3),
        gears_beyond_limit=st.integers(0, 3),
        chain_may_drop=st.booleans(),
        remedies=st.sampled_from(
            (
                (),
                (RemedyFact(route="keep_cups", name="Keep the cups", who="workshop"),),
                (RemedyFact(route="bevel_unit", name="Unit on bevels", who="frame_builder"),),
            )
        ),
    )
