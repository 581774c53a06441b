"""The labour book: what the shipped one holds, and what is found wrong with another."""

from typing import get_args

import msgspec
import pytest
from hypothesis import given
from msgspec import structs

from cotterline.bench.data import load
from cotterline.bench.labour.book import (
    DEFAULT_BOOK,
    MOST_MINUTES,
    Contingency,
    Factor,
    LabourBook,
    OptionId,
    check_book,
)
from tests.bench.labour.books import contingency, lasting, operation, random_book


def found(book: LabourBook) -> dict[str, str]:
    return {fault.pointer: fault.detail for fault in check_book(book)}


def following(row: Contingency, parent: str) -> Contingency:
    return structs.replace(row, after=parent)


class _Head(msgspec.Struct):
    edition: str
    source: str
    grade: str


def test_nothing_is_wrong_with_the_shipped_book() -> None:
    assert found(DEFAULT_BOOK) == {}


def test_the_shipped_book_says_that_it_is_invented() -> None:
    head = load("labour_book", _Head)
    assert head.grade == "invented"
    assert head.source.startswith("Invented")


def test_the_shipped_book_goes_out_and_comes_back_unchanged_in_its_order() -> None:
    again = msgspec.json.decode(msgspec.json.encode(DEFAULT_BOOK), type=LabourBook)
    assert again == DEFAULT_BOOK
    assert list(again.operations) == list(DEFAULT_BOOK.operations)


@pytest.mark.parametrize(
    "name",
    [
        "intake_and_measuring", "remove_pedals", "remove_cotter", "remove_arms", "lockring_and_adjustable_cup",
        "fixed_cup", "clean_shell", "gauge_and_measure", "chase_threads", "face_shell", "fit_unit",
        "test_fit_drive_arm", "four_position_trial", "fit_arms", "ring_set_up", "derailleur_set_up", "chain_check",
        "test_ride", "re_check_visit",
    ],
)  # fmt: skip
def test_the_shipped_book_has_every_operation_of_the_trade(name: str) -> None:
    """Common practice, no source."""
    assert name in DEFAULT_BOOK.operations


def test_a_bicycle_has_two_cotters() -> None:
    """One a side: common practice, no source."""
    assert DEFAULT_BOOK.operations["remove_cotter"].times == 2


def test_drilling_follows_only_on_soaking_and_the_customer_is_asked_first() -> None:
    drilled = DEFAULT_BOOK.contingencies["cotter_drilled"]
    assert drilled.after == "cotter_stuck"
    assert drilled.ask


def test_every_option_and_every_thing_observed_is_used_by_the_shipped_book() -> None:
    assert {row.option for row in DEFAULT_BOOK.operations.values()} >= set(get_args(OptionId))
    used = {factor for row in DEFAULT_BOOK.contingencies.values() for factor in row.odds}
    assert used == set(get_args(Factor))


@pytest.mark.parametrize("row", DEFAULT_BOOK.contingencies.values(), ids=list(DEFAULT_BOOK.contingencies))
def test_rust_years_and_seized_nuts_never_make_trouble_rarer(row: Contingency) -> None:
    """Common practice, no source."""
    better = {"rust_none", "recently_serviced", "cup_steel", "cotter_nuts_free"}
    assert all(odds < 1 if factor in better else odds > 1 for factor, odds in row.odds.items())
    assert row.odds.get("rust_light", 1.0) <= row.odds.get("rust_heavy", row.odds.get("rust_light", 1.0))


def test_cotters_drilled_and_cups_driven_out_carry_their_cautions() -> None:
    """Eyes, supported arm, heat and solvents: common practice, no source."""
    assert {"driving-pins", "fluids-and-heat"} <= set(DEFAULT_BOOK.operations["remove_cotter"].cautions)
    for name in ("chase_threads", "face_shell"):
        assert {"chips", "frame-builder"} <= set(DEFAULT_BOOK.operations[name].cautions)
    assert "structural" in DEFAULT_BOOK.operations["remedy_at_frame_builder"].cautions


@given(random_book())
def test_a_book_that_is_right_is_not_refused(book: LabourBook) -> None:
    assert found(book) == {}


@pytest.mark.parametrize("minutes", [(3, 2, 5), (3, 6, 5), (6, 6, 5)])
def test_minutes_out_of_order_are_named(minutes: tuple[float, float, float]) -> None:
    rows = {"wash": structs.replace(operation(), minutes=lasting(*minutes))}
    risks = {"spill": contingency("wash", 0.1, *minutes)}
    assert set(found(LabourBook(operations=rows, contingencies=risks))) == {
        "/operations/wash/minutes",
        "/contingencies/spill/extra",
    }


def test_names_that_lead_nowhere_are_named_where_they_stand() -> None:
    book = LabourBook(
        operations={"wash": operation(after=("wax", "dry"))} | {"wax": operation()},
        contingencies={
            "spill": contingency("rinse", 0.1),
            "flood": following(contingency("wash", 0.1), "storm"),
        },
    )
    assert set(found(book)) == {
        "/operations/wash/after/1",
        "/contingencies/spill/operation",
        "/contingencies/flood/after",
    }


def test_a_caution_nobody_wrote_is_named() -> None:
    book = LabourBook(operations={"wash": structs.replace(operation(), cautions=("pinch-points", "wet-floor"))})
    assert set(found(book)) == {"/operations/wash/cautions/1"}


def test_each_circle_is_named_once_with_all_its_members() -> None:
    rows = {
        "a": operation(after=("c",)),
        "b": operation(after=("a",)),
        "c": operation(after=("b",)),
        "alone": operation(after=("alone",)),
        "behind": operation(after=("a",)),
    }
    faults = found(LabourBook(operations=rows))
    assert set(faults) == {"/operations/a/after", "/operations/alone/after"}
    assert faults["/operations/a/after"].endswith(": a, b, c")
    assert faults["/operations/alone/after"].endswith(": alone")


def test_two_circles_that_share_a_member_are_one() -> None:
    rows = {"a": operation(after=("b", "c")), "b": operation(after=("a",)), "c": operation(after=("a",))}
    assert found(LabourBook(operations=rows)).keys() == {"/operations/a/after"}


def test_a_circle_behind_another_names_its_own_members_alone() -> None:
    rows = {
        "a": operation(after=("b",)),
        "b": operation(after=("a",)),
        "c": operation(after=("d", "a")),
        "d": operation(after=("c",)),
    }
    faults = found(LabourBook(operations=rows))
    assert faults["/operations/a/after"].endswith(": a, b")
    assert faults["/operations/c/after"].endswith(": c, d")
    assert len(faults) == 2


def test_a_circle_of_contingencies_is_named() -> None:
    risks = {
        "spill": following(contingency("wash", 0.1), "flood"),
        "flood": following(contingency("wash", 0.1), "spill"),
    }
    assert set(found(LabourBook(operations={"wash": operation()}, contingencies=risks))) == {
        "/contingencies/spill/after"
    }


def test_a_contingency_follows_only_on_one_of_the_same_operation() -> None:
    book = LabourBook(
        operations={"wash": operation(), "wax": operation()},
        contingencies={"spill": contingency("wash", 0.1), "scratch": following(contingency("wax", 0.1), "spill")},
    )
    assert set(found(book)) == {"/contingencies/scratch/after"}


def test_a_customer_is_not_asked_without_words() -> None:
    row = structs.replace(contingency("wash", 0.1), ask=True, question=" ")
    assert set(found(LabourBook(operations={"wash": operation()}, contingencies={"spill": row}))) == {
        "/contingencies/spill/question"
    }


def test_what_follows_neither_costs_more_than_time_nor_is_predicted() -> None:
    row = structs.replace(following(contingency("wash", 0.1), "spill"), cost="exchange", chance_from="spindle")
    risks = {"spill": contingency("wash", 0.1), "flood": row}
    assert set(found(LabourBook(operations={"wash": operation()}, contingencies=risks))) == {
        "/contingencies/flood/cost",
        "/contingencies/flood/chance_from",
    }


def test_what_is_done_twice_cannot_cost_more_than_time() -> None:
    row = structs.replace(contingency("wash", 0.1), cost="exchange")
    book = LabourBook(operations={"wash": structs.replace(operation(), times=2)}, contingencies={"spill": row})
    assert set(found(book)) == {"/contingencies/spill/cost"}


def test_at_most_four_contingencies_cost_more_than_time() -> None:
    row = structs.replace(contingency("wash", 0.1), cost="exchange")
    four = {f"spill_{number}": row for number in range(4)}
    assert found(LabourBook(operations={"wash": operation()}, contingencies=four)) == {}
    assert set(found(LabourBook(operations={"wash": operation()}, contingencies=four | {"spill_4": row}))) == {
        "/contingencies"
    }


def test_a_book_longer_than_any_bench_job_is_refused() -> None:
    """A hundred hours are the most; what is done twice, and what may go wrong in it, counts twice."""
    rows = {"a": structs.replace(operation(0, 0, 2000), times=2), "b": operation(0, 0, 1992)}
    spill = contingency("a", 0.1)
    assert MOST_MINUTES == 100 * 60
    assert found(LabourBook(operations=rows, contingencies={"spill": spill})) == {}
    longer = structs.replace(spill, extra=lasting(1, 2, 5))
    assert set(found(LabourBook(operations=rows, contingencies={"spill": longer}))) == {""}


def test_faults_stand_below_the_pointer_of_the_book() -> None:
    book = LabourBook(operations={"wash": operation(5, 4, 3)})
    assert [fault.pointer for fault in check_book(book, "/book")] == ["/book/operations/wash/minutes"]


MINUTES = {"low": 1, "likely": 2, "high": 3}
WASH = {"name": "Wash", "minutes": MINUTES}
SPILL = {"operation": "wash", "name": "Spill", "chance": 0.5, "extra": MINUTES}


@pytest.mark.parametrize("name", ["Wash", "1wash", "wash\n", "wash up", "w" * 41, ""])
def test_a_name_in_another_form_is_not_read(name: str) -> None:
    with pytest.raises(msgspec.ValidationError):
        msgspec.convert({"operations": {name: WASH}}, LabourBook)


@pytest.mark.parametrize(
    "change",
    [
        {"name": ""},
        {"name": "W\x00"},
        {"minutes": MINUTES | {"high": 2001}},
        {"minutes": MINUTES | {"low": -1}},
        {"times": 0},
        {"times": 5},
        {"labour_class": "magic"},
        {"when": "sometimes"},
        {"option": "polish"},
        {"torque": "bell"},
        {"colour": "red"},
    ],
)
def test_an_operation_that_no_book_has_is_not_read(change: dict[str, object]) -> None:
    with pytest.raises(msgspec.ValidationError):
        msgspec.convert({"operations": {"wash": WASH | change}}, LabourBook)


@pytest.mark.parametrize(
    "change",
    [
        {"chance": 0.96},
        {"chance": -0.1},
        {"odds": {"rust_heavy": 0}},
        {"odds": {"rust_heavy": 101}},
        {"odds": {"moon": 2}},
        {"cost": "everything"},
        {"question": "Go on?\x00"},
        {"colour": "red"},
    ],
)
def test_a_contingency_that_no_book_has_is_not_read(change: dict[str, object]) -> None:
    with pytest.raises(msgspec.ValidationError):
        msgspec.convert({"operations": {}, "contingencies": {"spill": SPILL | change}}, LabourBook)


def test_a_book_has_at_most_two_hundred_of_each() -> None:
    rows = {f"wash_{number}": WASH for number in range(201)}
    with pytest.raises(msgspec.ValidationError):
        msgspec.convert({"operations": rows}, LabourBook)
    rows.pop("wash_0")
    assert len(msgspec.convert({"operations": rows}, LabourBook).operations) == 200


def test_plain_rows_are_read() -> None:
    book = msgspec.convert({"operations": {"wash": WASH}, "contingencies": {"spill": SPILL}}, LabourBook)
    assert book.operations["wash"].minutes.mean == 2
    assert found(book) == {}
