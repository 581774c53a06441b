"""Rules are words in brackets of an order's reference."""

import pytest
from msgspec import UNSET

from cotterline.delivery.signatures import check_secret
from cotterline.practice_supplier.rules import REPLY_SECRET, RULE_NAMES, RULES, SIGNING_SECRET, told_by


def test_every_word_has_one_line_of_the_table() -> None:
    assert sorted(each.rule for each in RULES) == sorted(RULE_NAMES)


@pytest.mark.parametrize(
    ("reference", "rules"),
    [
        (UNSET, set()),
        ("Blue roadster", set()),
        ("backorder", set()),
        ("[backorder", set()),
        ("Blue roadster [backorder reply-twice]", {"backorder", "reply-twice"}),
        ("[late,Dispatch] blue [slow]", {"late", "dispatch", "slow"}),
        ("[]", set()),
    ],
)
def test_the_words_in_brackets_are_the_rules(reference: str, rules: set[str]) -> None:
    assert told_by(reference).rules == rules
    assert told_by(reference).unknown == ()


def test_a_word_that_is_no_rule_is_named() -> None:
    assert told_by("Blue [bakorder late]").unknown == ("bakorder",)


@pytest.mark.parametrize(
    ("reference", "shaping"),
    [("", "accept"), ("[late]", "accept"), ("[backorder reject]", "reject"), ("[price-up in-part]", "price-up")],
)
def test_of_several_rules_about_the_reply_the_first_of_the_table_counts(reference: str, shaping: str) -> None:
    assert told_by(reference).reply == shaping


def test_the_published_secrets_are_two_that_can_be_signed_with() -> None:
    assert len({SIGNING_SECRET, REPLY_SECRET}) == 2
    assert [*check_secret(SIGNING_SECRET, ""), *check_secret(REPLY_SECRET, "")] == []
