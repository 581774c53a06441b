"""A substitute is taken only where every figure fits, refused where one does not, and else put to a person."""

from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cotterline.bench.derivation import Trace
from cotterline.bench.fit.fitting import Fitting
from cotterline.bench.orders import OrderLine
from cotterline.bench.parts_list import ItemProperty, Measure, PropertyName, Text
from cotterline.bench.replies import Substituted
from cotterline.bench.shop import ShopSettings
from cotterline.bench.spindle.question import SpindleQuestion
from cotterline.bench.spindle_options import SpindleOption
from cotterline.bench.substitutions import Judgement, judge, judge_price
from tests.bench.formulas import check_steps
from tests.bench.order_cases import eur, line, with_properties
from tests.bench.pricing_cases import exactly
from tests.bench.spindle_cases import ENGLISH_68, pair_question, question

THREAD = "1.370 in x 24 tpi"
AT_47_5 = {"method": "measured_chain_line", "chain_line": {"value": 47.5, "tool": "caliper"}}


def fitting(tolerance: float = 1.5, **others: Any) -> Fitting:  # noqa: ANN401 - any part of a question
    """A crank that runs at 47.5 mm on 113 mm and shall stay there, all read with a caliper."""
    asked = question(
        target={"aim": "stated", "chain_line": AT_47_5["chain_line"]},
        crank={
            "known_by": "reference_pair",
            "taper": "jis",
            "spindle_length": {"value": 113, "tool": "caliper"},
            "chain_line": AT_47_5,
        },
        unit={"taper": "jis"},
        **others,
    )
    return Fitting(question=asked, shell=ENGLISH_68, settings=ShopSettings(chain_line_tolerance_mm=tolerance))


def length_of(value: float, low: float | None = None, high: float | None = None) -> Measure:
    return Measure(name="spindle_length", value=value, lowest=low or value, highest=high or value)


def text(name: PropertyName, value: str, *accepted: str) -> Text:
    return Text(name=name, value=value, accepted=accepted or (value,))


def unit(
    length: float, low: float | None = None, high: float | None = None, **other: ItemProperty
) -> list[ItemProperty]:
    """The properties of a unit; of a proposed one, a range of one point each."""
    plain: dict[str, ItemProperty] = {
        "thread": text("thread", THREAD),
        "shell_width": exactly("shell_width", 68),
        "spindle_length": length_of(length, low, high),
        "spindle_taper": text("spindle_taper", "jis"),
        "spindle_asymmetry": exactly("spindle_asymmetry", 0),
    }
    return [*(plain | other).values()]


def offered(*properties: ItemProperty, price: str | None = None) -> Substituted:
    costs: dict[str, Any] = {} if price is None else {"unit_price": eur(price)}
    return Substituted(code="X", name="Another unit", properties=properties, **costs)


def judged(wanted: OrderLine, proposal: Substituted, known: Fitting | None = None, rise: float = 0) -> Judgement:
    """Every formula recorded on the way is evaluated."""
    trace = Trace()
    found = judge(wanted, proposal, known or fitting(), rise, trace)
    if isinstance(found.chain_line, SpindleOption):
        check_steps(trace.steps)
    return found


ORDERED = with_properties(*unit(113, 110, 116))


def test_a_unit_of_the_very_dimensions_under_another_code_is_taken() -> None:
    found = judged(ORDERED, offered(*unit(113)))
    assert found.verdict == "take"
    assert "The spindle length is 113 mm, within 110 to 116 mm." in found.reasons


def test_half_the_change_of_length_moves_the_chain_line() -> None:
    """Plane geometry, no source needed: 115 mm for 113 mm moves the right arm by 1 mm, from 47.5 to 48.5 mm."""
    found = judged(with_properties(*unit(113, 108, 118)), offered(*unit(115)), fitting(tolerance=2.5))
    assert isinstance(found.chain_line, SpindleOption)
    assert found.chain_line.chain_line.value == pytest.approx(48.5)
    assert found.chain_line.residual.value == pytest.approx(1.0)
    assert found.verdict == "take"
    assert "With 115 mm the chain line comes to 48.5 mm, +1 mm from the target, within 2.5 mm." in found.reasons


def test_a_length_outside_the_range_is_refused_with_both_numbers() -> None:
    found = judged(ORDERED, offered(*unit(119)))
    assert found.verdict == "refuse"
    assert found.reasons == (
        "The spindle length is 119 mm; it must be 110 to 116 mm.",
        "With 119 mm the chain line comes to 50.5 mm, +3 mm from the target; 1.5 mm is allowed.",
    )


def test_a_chain_line_beyond_the_tolerance_is_refused_whatever_the_range_says() -> None:
    found = judged(with_properties(*unit(113, 100, 130)), offered(*unit(117)))
    assert found.reasons == ("With 117 mm the chain line comes to 49.5 mm, +2 mm from the target; 1.5 mm is allowed.",)
    assert found.verdict == "refuse"


def test_the_asymmetry_of_the_substitute_moves_the_chain_line_by_half_of_it() -> None:
    wide = Measure(name="spindle_asymmetry", value=0, lowest=-4, highest=4)
    wanted = with_properties(*unit(113, spindle_asymmetry=wide))
    found = judged(wanted, offered(*unit(113, spindle_asymmetry=exactly("spindle_asymmetry", 4))))
    assert isinstance(found.chain_line, SpindleOption)
    assert found.chain_line.chain_line.value == pytest.approx(47.5 + 4 / 2)
    assert found.verdict == "refuse"


def test_the_taper_of_the_substitute_is_what_the_crank_is_seated_on() -> None:
    """The published difference of seats is several millimetres, so the other standard cannot stay within 1.5 mm."""
    wanted = with_properties(*unit(113, spindle_taper=text("spindle_taper", "jis", "jis", "iso")))
    found = judged(wanted, offered(*unit(113, spindle_taper=text("spindle_taper", "ISO"))))
    assert isinstance(found.chain_line, SpindleOption)
    assert abs(found.chain_line.residual.value) > 1.5
    assert found.verdict == "refuse"


def test_a_ring_that_would_foul_is_refused_with_what_is_missing() -> None:
    """6 mm at 47.5 mm, 5 mm allowed: 110 mm moves the ring in by 1.5 mm, to 4.5 mm."""
    gap = {"gap": {"value": 6, "tool": "caliper"}, "chain_line": AT_47_5}
    tight = fitting(tolerance=2.5, surroundings={"ring": gap})
    found = judged(with_properties(*unit(113, 108, 118)), offered(*unit(110)), tight)
    assert found.verdict == "refuse"
    assert found.reasons == ("With 110 mm the ring to chainstay fouls: 0.5 mm is missing.",)


def test_a_substitute_that_lands_less_surely_is_put_to_a_person() -> None:
    """Residual 1 mm, standard deviation 0.4885 mm, tolerance 1.5 mm: the normal table gives 0.846, and 0.998 at 0."""
    found = judged(ORDERED, offered(*unit(115)))
    assert (found.verdict, found.reasons) == (
        "ask",
        ("It lands within the tolerance with probability 0.85; what was ordered, 1.00.",),
    )


def test_a_substitute_that_lands_too_rarely_is_put_to_a_person() -> None:
    asked = pair_question(113, 47.5, 47.5, unit={"taper": "jis"})
    known = Fitting(question=asked, shell=ENGLISH_68, settings=ShopSettings())
    found = judged(ORDERED, offered(*unit(115)), known)
    assert found.reasons == ("It lands within the tolerance with probability 0.71, less than 0.8.",)


def test_a_substitute_that_lands_as_surely_as_what_was_approved_is_taken_however_unsure_that_was() -> None:
    """What was approved at 113 mm lands within the tolerance in few cases; its equal adds no doubt."""
    loose = {"spindle_length": {"value": 113, "plus_minus": 8}}
    asked = pair_question(113, 47.5, 47.5, crank=loose, unit={"taper": "jis"})
    known = Fitting(question=asked, shell=ENGLISH_68, settings=ShopSettings())
    found = judged(ORDERED, offered(*unit(113)), known)
    assert isinstance(found.chain_line, SpindleOption)
    assert found.chain_line.probability_within < 0.8
    assert found.verdict == "take"


@pytest.mark.parametrize("left_out", ["thread", "shell_width", "spindle_length", "spindle_taper", "spindle_asymmetry"])
def test_what_is_not_stated_is_asked_for_by_name(left_out: str) -> None:
    stated = [item for item in unit(113) if item.name != left_out]
    found = judged(ORDERED, offered(*stated))
    assert found.verdict == "ask"
    assert found.reasons == (f"The {left_out.replace('_', ' ')} of the substitute is not stated.",)


@pytest.mark.parametrize(
    ("name", "other", "words"),
    [
        ("thread", text("thread", "36 mm x 24 tpi"), "The thread is 36 mm x 24 tpi; it must be 1.370 in x 24 tpi."),
        ("shell_width", exactly("shell_width", 73), "The shell width is 73 mm; it must be 68 mm."),
        ("spindle_taper", text("spindle_taper", "round"), "The spindle taper is round; it must be jis."),
    ],
)
def test_one_figure_that_does_not_fit_refuses_it(name: str, other: ItemProperty, words: str) -> None:
    stated = [other if item.name == name else item for item in unit(113)]
    found = judged(ORDERED, offered(*stated))
    assert (found.verdict, found.reasons) == ("refuse", (words,))


def test_a_figure_that_does_not_fit_goes_before_one_that_is_not_stated() -> None:
    found = judged(ORDERED, offered(exactly("shell_width", 73)))
    assert found.verdict == "refuse"


def test_words_that_only_look_different_are_the_same() -> None:
    assert judged(ORDERED, offered(*unit(113, thread=text("thread", " 1.370 IN  x 24 TPI ")))).verdict == "take"


@pytest.mark.parametrize(
    ("name", "asked", "stated", "verdict"),
    [
        ("thread_outside_diameter", 34.798, 34.8, "ask"),
        ("thread_outside_diameter", 34.798, 35.0, "refuse"),
        ("thread_pitch", 1.0583, 1.06, "ask"),
        ("thread_pitch", 1.0583, 1.0, "refuse"),
        ("thread_pitch", 1.0583, 1.0583, "take"),
    ],
)
def test_a_figure_that_may_only_be_rounded_is_put_to_a_person_and_another_thread_is_refused(
    name: PropertyName, asked: float, stated: float, verdict: str
) -> None:
    """1.370 in is 34.798 mm and 24 tpi 1.0583 mm: the inch is 25.4 mm. 35 mm x 1 mm: common practice, no source."""
    found = judge(with_properties(exactly(name, asked)), offered(exactly(name, stated)), None, 0, Trace())
    assert found.verdict == verdict


def test_a_spread_that_reaches_beyond_the_range_is_put_to_a_person() -> None:
    found = judged(ORDERED, offered(*unit(113, 108, 114)))
    assert (found.verdict, found.reasons) == (
        "ask",
        ("The spindle length may be 108 to 114 mm; it must be 110 to 116 mm.",),
    )


def test_a_figure_stated_twice_or_in_another_way_is_put_to_a_person() -> None:
    twice = judged(ORDERED, offered(*unit(113), exactly("shell_width", 73)))
    assert twice.reasons == ("The shell width of the substitute is stated more than once.",)
    words = judged(ORDERED, offered(*unit(113, shell_width=text("shell_width", "68"))))
    assert words.reasons == ("The shell width is stated in another way than it was ordered.",)


@pytest.mark.parametrize("length", [0.0, 1e6])
def test_a_length_no_spindle_has_is_refused_and_not_predicted(length: float) -> None:
    found = judged(ORDERED, offered(*unit(length)))
    assert (found.verdict, found.chain_line) == ("refuse", msgspec.UNSET)


def test_bolts_are_judged_by_their_thread_alone() -> None:
    bolts = with_properties(text("thread", "M8 x 1"))
    assert judge(bolts, offered(text("thread", "m8 x 1")), None, 0, Trace()).verdict == "take"
    assert judge(bolts, offered(text("thread", "M12 x 1")), None, 0, Trace()).verdict == "refuse"


def test_a_line_that_states_nothing_lets_no_substitute_pass_by_rule() -> None:
    found = judge(line(), offered(text("thread", "M8 x 1")), None, 0, Trace())
    assert (found.verdict, found.reasons) == (
        "ask",
        ("The order states nothing of Part 1 that a substitute could be judged by.",),
    )


def test_a_unit_nobody_asked_about_is_put_to_a_person() -> None:
    assert judge(ORDERED, offered(*unit(113)), None, 0, Trace()).verdict == "ask"


@pytest.mark.parametrize(
    ("price", "rise", "verdict"),
    [("19.00", 0, "take"), ("20.00", 0, "take"), ("20.01", 0, "ask"), ("21.00", 5, "take"), ("21.01", 5, "ask")],
)
def test_a_price_is_taken_up_to_the_rise_that_is_allowed(price: str, rise: float, verdict: str) -> None:
    assert judge_price(ORDERED, eur(price), rise).verdict == verdict
    assert judged(ORDERED, offered(*unit(113), price=price), rise=rise).verdict == verdict


def test_a_price_in_another_currency_is_put_to_a_person() -> None:
    francs = msgspec.structs.replace(eur("1.00"), currency="CHF")
    assert judge_price(ORDERED, francs, 100).reasons == (
        "It costs 1.00 CHF; 20.00 EUR was ordered, and prices are not converted.",
    )


@given(st.floats(95, 135), st.floats(0.5, 3))
def test_whatever_is_taken_lies_within_the_range_and_the_tolerance(length: float, tolerance: float) -> None:
    """The law of the whole: no length passes by rule whose chain line is beyond the tolerance."""
    found = judge(ORDERED, offered(*unit(length)), fitting(tolerance), 0, Trace(wanted=False))
    if found.verdict == "take":
        assert 110 <= length <= 116
        assert abs(length - 113) / 2 <= tolerance + 1e-3


def test_a_question_that_cannot_be_answered_any_more_is_put_to_a_person() -> None:
    named = msgspec.convert(
        {
            "target": {"aim": "stated", "chain_line": {"value": 47.5}},
            "crank": {"known_by": "shop_crank", "name": "one nobody knows"},
        },
        SpindleQuestion,
    )
    known = Fitting(question=named, shell=ENGLISH_68, settings=ShopSettings())
    found = judge(ORDERED, offered(*unit(113)), known, 0, Trace())
    assert found.verdict == "ask"
    assert found.reasons[0].startswith("The chain line cannot be predicted")
