"""What fit reports say of an offset: against the joint normal, against integration, and the laws it must keep."""

import itertools
import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import UNSET

from cotterline.bench.derivation import Trace
from cotterline.bench.spindle.misreadings import Normal
from cotterline.bench.spindle.offset import CrankId, Kind, OffsetReport
from cotterline.bench.spindle.offset_learning import MODEL, every_crank, learn
from tests.bench.formulas import check_steps
from tests.bench.spindle.offset_cases import (
    KIND,
    NO_SLIPS,
    STEEL,
    by_integration,
    by_joint_normal,
    learned,
    report,
)

CRANKS = st.sampled_from([STEEL, "Alloy three-arm", "Alloy five-arm", "Steel swaged"])
REPORTS = st.builds(report, st.floats(-18, -8), CRANKS, sd=st.sampled_from([0.45, 0.63, 0.9]), shared=st.booleans())
LIKE = st.floats(-0.8, 0.8)


def agrees(one: Normal, other: Normal, share: float) -> bool:
    """Whether two answers agree within ``share`` of the spread."""
    return math.isclose(one.mean, other.mean, abs_tol=share * other.sd) and math.isclose(
        one.sd, other.sd, rel_tol=share
    )


# The constants


def test_the_start_is_that_of_the_published_pairs() -> None:
    """rennrad-news.de, thread 175039; mechalog, 2021; two pairs that are common practice, no source."""
    pairs = [(122, 46), (126, 52.5), (118, 50), (113, 43)]
    offsets = [line - length / 2 for length, line in pairs]
    assert offsets == [-15, -10.5, -9, -13.5]
    assert 47.5 - 113 / 2 == -9, "the same crank on the other spindle it is sold with"
    mean = sum(offsets) / len(offsets)
    assert mean == pytest.approx(MODEL.start.mean, abs=0.05)
    spread = math.sqrt(sum((each - mean) ** 2 for each in offsets) / 3)
    assert spread == pytest.approx(2.7, abs=0.05)
    assert spread <= math.hypot(MODEL.start.sd, MODEL.between_cranks.sd), (
        "the start is no narrower than what is in print"
    )


# Against second computations


@given(st.lists(REPORTS, min_size=1, max_size=9))
def test_without_misreadings_it_is_the_joint_normal_of_every_crank_at_once(reports: list[OffsetReport]) -> None:
    trace = Trace()
    found = learned(reports, model=NO_SLIPS, trace=trace).offset
    expected = by_joint_normal(reports, STEEL, NO_SLIPS)
    assert found.mean == pytest.approx(expected.mean, abs=1e-8)
    assert found.sd == pytest.approx(expected.sd, abs=1e-8)
    check_steps(trace.steps)


@given(st.lists(st.floats(-40, 15), min_size=1, max_size=5))
def test_one_crank_alone_is_integrated_exactly_however_its_reports_contradict(offsets: list[float]) -> None:
    """Up to five reports every choice of misreadings is carried, so only the grid's own error remains."""
    reports = [report(offset) for offset in offsets]
    trace = Trace()
    assert agrees(learned(reports, trace=trace).offset, by_integration(reports, STEEL, MODEL), 1e-4)
    check_steps(trace.steps)


@pytest.mark.parametrize("seed", range(12))
def test_many_cranks_with_misreadings_agree_with_integration_within_a_tenth_of_the_spread(seed: int) -> None:
    """Where a single misread report of another crank leaves it wide, its normal summary is a little off."""
    chance = random.Random(seed)  # noqa: S311 - a seeded case, not a secret
    middle = chance.gauss(MODEL.start.mean, 2)
    reports = []
    for name in ("Alloy three-arm", "Alloy five-arm", "Steel swaged", STEEL):
        offset = chance.gauss(middle, MODEL.between_cranks.sd)
        for _ in range(chance.randint(2, 14)):
            slip = chance.choice([-1, 1]) * chance.uniform(5, 20) if chance.random() < 0.1 else 0
            reports.append(report(offset + chance.gauss(0, 0.6) + slip, name))
    assert agrees(learned(reports).offset, by_integration(reports, STEEL, MODEL), 0.1)


# Limits


def test_nothing_of_the_crank_or_its_kind_says_nothing() -> None:
    other = [report(-14, kind=Kind(1, "iso")), report(-14, kind=Kind(2, "jis"))]
    assert learn(CrankId(STEEL), KIND, [], Trace()) is None
    assert learn(CrankId(STEEL), KIND, other, Trace()) is None


def test_a_crank_without_reports_is_as_its_kind_and_a_kind_without_reports_as_the_start() -> None:
    alone = learned([report(-14)])
    assert alone.stated.kind == alone.stated.start
    assert (alone.stated.kind_cranks, alone.stated.kind_reports) == (0, 0)
    kind = learned([report(-14, "Steel swaged"), report(-15, "Steel swaged"), report(-9, "Alloy")])
    assert (kind.stated.kind_cranks, kind.stated.kind_reports) == (2, 3)
    assert kind.stated.before == kind.stated.offset
    assert kind.stated.reports == ()


def test_many_reports_leave_no_spread_and_no_trace_of_the_start() -> None:
    found = learned([report(-20 + 0.1 * (number % 3 - 1)) for number in range(300)]).offset
    assert found.mean == pytest.approx(-20, abs=0.01)
    assert found.sd == pytest.approx(0.6 / math.sqrt(300), rel=0.02)


def test_another_shops_report_says_less_than_ones_own() -> None:
    own, shared = learned([report(-14)]), learned([report(-14, shared=True)])
    assert shared.offset.sd > own.offset.sd
    assert [each.shared for each in shared.stated.reports] == [True]


def test_of_many_reports_and_cranks_the_least_believed_are_shown_and_the_derivation_stays_short() -> None:
    odd = [report(-2), report(9)]
    many = [report(-14 + (number % 7 - 3) / 10) for number in range(200)]
    others = [report(-13 + (number % 9 - 4) / 5, f"Alloy {number}") for number in range(80)]
    trace = Trace()
    found = learned([*many, *odd, *others], trace=trace).stated
    assert (found.report_count, found.kind_cranks, len(found.reports)) == (202, 80, 30)
    assert [each.offset.value for each in found.reports if each.weight < 0.5] == [-2, 9]
    steps = check_steps(trace.steps)
    assert len(steps) < 50
    assert max(len(step.inputs) for step in steps) < 100


# Laws


@given(st.lists(REPORTS, min_size=2, max_size=8), st.randoms(use_true_random=False))
def test_the_order_of_reports_does_not_matter(reports: list[OffsetReport], chance: random.Random) -> None:
    shuffled = chance.sample(reports, len(reports))
    assert learned(shuffled) == learned(reports)


@given(st.floats(-17, -7), st.lists(LIKE, min_size=1, max_size=10), LIKE)
def test_another_report_of_a_like_value_never_widens(offset: float, before: list[float], another: float) -> None:
    reports = [report(offset + each) for each in before]
    assert learned([*reports, report(offset + another)]).offset.sd < learned(reports).offset.sd


@given(st.floats(-17, -7), st.lists(LIKE, min_size=3, max_size=10), st.floats(10, 25), st.sampled_from([-1, 1]))
def test_a_report_10_to_25_mm_off_moves_the_answer_by_less_than_a_quarter_mm(
    offset: float, good: list[float], off: float, sign: int
) -> None:
    reports = [report(offset + each) for each in good]
    spoilt = learned([*reports, report(offset + sign * off)])
    assert abs(spoilt.offset.mean - learned(reports).offset.mean) < 0.25
    weights = [each.weight for each in spoilt.stated.reports]
    assert min(weights) < 0.02
    assert sorted(weights)[1] > 0.5


def test_one_report_that_disagrees_with_everything_leaves_the_answer_wide() -> None:
    others = [report(-12 + each / 10, f"Alloy {number}") for number, each in enumerate([-8, 3, 0, 6, -2, 9])]
    alone = learned([*others, report(3)])
    before = learned(others).offset
    assert alone.offset.sd > 0.98 * before.sd
    assert alone.stated.reports[0].weight < 0.01
    assert abs(alone.offset.mean - before.mean) < 0.6


def test_two_reports_that_contradict_each_other_leave_it_open_which_is_right() -> None:
    found = learned([report(-15), report(-8)])
    assert found.offset.sd > 2.5
    assert all(0.2 < each.weight < 0.8 for each in found.stated.reports)


# Which reports are of one crank


def names(*ids: tuple[str | None, str | None]) -> list[OffsetReport]:
    return [
        OffsetReport(crank=name or UNSET, gtin=gtin or UNSET, rings=1, taper="jis", offset_mm=-14.0, sd_mm=0.6)
        for name, gtin in ids
    ]


GTIN, OTHER_GTIN = "4006381333931", "96385074"


@pytest.mark.parametrize(
    ("wanted", "own"),
    [
        (CrankId(STEEL), 4),
        (CrankId("five-PIN  steel"), 4),
        (CrankId(gtin=GTIN), 4),
        (CrankId(gtin="0" + GTIN), 4),
        (CrankId("Another name", GTIN), 4),
        (CrankId("Another name"), 0),
        (CrankId(gtin=OTHER_GTIN), 1),
        (CrankId(), 0),
    ],
)
def test_reports_count_under_a_trade_item_number_and_every_name_given_with_it(wanted: CrankId, own: int) -> None:
    reports = names(
        (STEEL, None), (STEEL, GTIN), (None, GTIN), ("five-pin  steel", None), (None, OTHER_GTIN), (None, None)
    )
    for order in itertools.islice(itertools.permutations(reports), 0, None, 97):
        found = learn(wanted, KIND, order, Trace())
        assert found is not None
        assert len(found.stated.reports) == own
        assert found.stated.kind_reports == 6 - own


def test_every_crank_of_the_shops_own_reports_is_told_once_with_all_it_is_known_by() -> None:
    reports = [
        *names((STEEL, None), ("five-pin steel", GTIN), ("Alloy", None), (None, None)),
        report(-9, "Alloy", kind=Kind(2, "jis")),
        OffsetReport(gtin=OTHER_GTIN, rings=1, taper="jis", offset_mm=-14.0, sd_mm=0.6, shared=True),
    ]
    told = [(each.crank, each.gtin, each.rings, len(each.reports)) for each in every_crank(reports)]
    assert told == [(STEEL, GTIN, 1, 2), ("Alloy", told[1][1], 1, 1), ("Alloy", told[2][1], 2, 1)]
    assert every_crank([]) == ()
