"""What is ordered is what was agreed to, or what a person answers for; never anything else."""

from typing import Any

import msgspec
import pytest

from cotterline.bench.errors import CotterlineError
from cotterline.bench.order_needs import KeptResult, Needs, needed
from cotterline.bench.parts_list import Measure, PartsLine, PartsList
from cotterline.bench.quotes import QuoteRequest
from cotterline.bench.shop import ShopSettings
from cotterline.bench.workshop import Workshop
from tests.bench.bikes import COTTERED, inside, width
from tests.bench.ordering_cases import TWO_LENGTHS, kept, offers, workshop
from tests.bench.spindle_cases import cotter_question, pair_question

PRICES = offers("a", u110="17.50", u113="18.00", u115="18.50", b8="1.25", c8="9.00")
SHOP = workshop(PRICES)
ONE_LENGTH = QuoteRequest(evidence=COTTERED, spindle=pair_question(113, 47.5, 47.5, unit={"taper": "jis"}))
UNSURE = QuoteRequest(evidence=(width(68),), spindle=cotter_question(113, 42, unit={"taper": "jis"}))
NO_SPINDLE = QuoteRequest(evidence=COTTERED)


def lengths(lines: tuple[PartsLine, ...]) -> list[float]:
    stated = [item for line in lines for item in line.properties if isinstance(item, Measure)]
    return [item.value for item in stated if item.name == "spindle_length"]


def needs_of(request: QuoteRequest, *approved: Any, shop: Workshop = SHOP, override: bool = False) -> Needs:  # noqa: ANN401 - an option's id
    return needed(kept(request, shop), request, approved, shop, override=override)


def refusal(request: QuoteRequest, *, override: bool) -> CotterlineError:
    with pytest.raises(CotterlineError) as caught:
        needs_of(request, override=override)
    return caught.value


def test_the_lines_to_order_are_those_of_the_approved_parts_list() -> None:
    result = kept(TWO_LENGTHS, SHOP)
    assert isinstance(result.parts, PartsList)
    found = needs_of(TWO_LENGTHS)
    assert found.lines == tuple(line for line in result.parts.lines if line.supply == "order")
    assert [line.role for line in found.lines] == ["unit", "unit", "crank_bolts"]
    assert (found.quoted, found.p90) == (result.estimate.parts, result.estimate.money.p90)


def test_the_lines_stay_those_that_were_approved_whatever_the_calculation_says_by_now() -> None:
    """A workshop whose tolerance changed since would list other ranges."""
    result = kept(ONE_LENGTH, SHOP)
    assert isinstance(result.parts, PartsList)
    first = result.parts.lines[0]
    other = msgspec.structs.replace(first, name="As it was approved")
    changed = msgspec.structs.replace(result.parts, lines=(other, *result.parts.lines[1:]))
    approved = msgspec.structs.replace(result, parts=changed)
    assert needed(approved, ONE_LENGTH, (), SHOP).lines[0].name == "As it was approved"
    assert needed(approved, ONE_LENGTH, ("new_chain",), SHOP).lines[0].name == "As it was approved"


def test_the_lines_are_in_millimetres_whatever_unit_the_shop_reads() -> None:
    inches = msgspec.structs.replace(ONE_LENGTH, settings=ShopSettings(units="in"))
    assert needs_of(inches).lines == needs_of(ONE_LENGTH).lines
    assert needs_of(inches, "second_spindle").lines == needs_of(ONE_LENGTH, "second_spindle").lines


def test_a_chain_that_was_chosen_is_ordered_behind_the_parts_list() -> None:
    plain, found = needs_of(ONE_LENGTH), needs_of(ONE_LENGTH, "new_chain")
    chain = found.lines[-1]
    assert (chain.role, chain.number, chain.supply) == ("chain", found.options_after + 1, "order")
    assert found.lines[:-1] == plain.lines
    assert [line.sku for line in found.quoted] == [*(line.sku for line in plain.quoted), "c8"]
    assert found.p90.decimal > plain.p90.decimal


def test_a_chain_that_was_asked_for_from_the_start_is_ordered_too() -> None:
    found = needs_of(msgspec.structs.replace(ONE_LENGTH, options=("new_chain",)))
    assert found.lines[-1].role == "chain"


def test_a_second_spindle_chosen_at_the_approval_is_ordered_beside_the_first() -> None:
    assert lengths(needs_of(ONE_LENGTH).lines) == [113]
    found = needs_of(ONE_LENGTH, "second_spindle")
    assert lengths(found.lines) == [113, 110]
    assert [line.returnable for line in found.lines if line.role == "unit"] == [True, True]
    assert len([line for line in found.quoted if line.returnable]) == 2


def test_a_result_that_does_not_allow_an_order_is_not_ordered() -> None:
    error = refusal(UNSURE, override=False)
    assert error.code == "order-not-allowed"
    assert kept(UNSURE, SHOP).ordering.reasons[0] in error.detail


def test_a_person_may_order_what_the_result_does_not_allow() -> None:
    assert kept(UNSURE, SHOP).parts is msgspec.UNSET
    found = needs_of(UNSURE, override=True)
    assert lengths(found.lines)
    assert needs_of(UNSURE, override=True) == found, "the same from the same"


def test_where_no_spindle_can_be_named_there_is_nothing_to_order() -> None:
    error = refusal(NO_SPINDLE, override=True)
    assert error.code == "order-not-allowed"
    assert "which crank is to be fitted" in error.detail


def test_no_unit_is_ordered_for_a_shell_without_a_thread() -> None:
    plain = QuoteRequest(
        evidence=(width(73, "caliper"), inside(46.0), inside(46.0, side="non_drive")), spindle=ONE_LENGTH.spindle
    )
    error = refusal(plain, override=True)
    assert (error.code, "without a thread" in error.detail) == ("order-not-allowed", True)


def test_a_kept_result_is_read_whatever_else_stands_in_it() -> None:
    result = msgspec.json.decode(msgspec.json.encode(kept(ONE_LENGTH, SHOP)))
    written = msgspec.json.encode(result | {"a later member": 1})
    assert msgspec.json.decode(written, type=KeptResult) == kept(ONE_LENGTH, SHOP)
