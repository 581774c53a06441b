"""An approval fits its estimate, an extension is worth asking for, and nothing is charged beyond what was agreed."""

import pytest

from cotterline.bench.approvals import (
    ApprovalRequest,
    check_approval,
    check_charge,
    check_extension,
    hold_to_ceiling,
)
from cotterline.bench.errors import CotterlineError
from cotterline.bench.labour.book import OptionId
from cotterline.bench.money import Money


def money(amount: str, currency: str = "EUR") -> Money:
    return Money(amount=amount, currency=currency)


def approval(amount: str, currency: str = "EUR", *options: OptionId) -> ApprovalRequest:
    return ApprovalRequest(ceiling=money(amount, currency), options=options, by="Ada Fell", how="telephone")


@pytest.mark.parametrize(
    ("asked", "pointers"),
    [
        (approval("120.50"), []),
        (approval("0"), []),
        (approval("120", "EUR", "new_chain", "remedy"), []),
        (approval("120", "EUR", "new_chain", "new_chain"), ["/a/options/1"]),
        (approval("120", "EUR", "face_shell", "new_chain"), ["/a/options/0"]),
        (approval("-1"), ["/a/ceiling/amount"]),
        (approval("1.005"), ["/a/ceiling/amount"]),
        (approval("120", "GBP"), ["/a/ceiling/currency"]),
        (approval("120.5", "JPY"), ["/a/ceiling/amount", "/a/ceiling/currency"]),
    ],
)
def test_an_approval_fits_the_estimate_or_is_refused_at_its_place(asked: ApprovalRequest, pointers: list[str]) -> None:
    found = check_approval(asked, "EUR", {"new_chain", "remedy"}, "/a")
    assert [fault.pointer for fault in found] == pointers


@pytest.mark.parametrize(("amount", "faults"), [("80.01", 0), ("80", 1), ("79.99", 1), ("9", 1), ("100", 0)])
def test_an_extension_is_above_what_was_agreed_by_value_not_by_spelling(amount: str, faults: int) -> None:
    assert len([*check_extension(approval(amount), money("80.00"), "/a")]) == faults


def test_a_charge_is_an_amount_in_the_ceilings_currency() -> None:
    assert [*check_charge(money("9.5"), money("80"), "/charged")] == []
    for wrong in (money("-1"), money("1.005"), money("1", "GBP")):
        assert [*check_charge(wrong, money("80"), "/charged")]


def test_nothing_is_charged_beyond_the_ceiling() -> None:
    for allowed in ("9", "80", "80.00"):
        hold_to_ceiling(money(allowed), money("80.0"))
    with pytest.raises(CotterlineError, match=r"80\.01 EUR is more than 80\.0 EUR") as refusal:
        hold_to_ceiling(money("80.01"), money("80.0"))
    assert refusal.value.code == "beyond-ceiling"
