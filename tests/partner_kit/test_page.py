"""The page for partners lists the checks there are: ``python -m tests.partner_kit.test_page`` renews it."""

from collections.abc import Iterator, Sequence
from pathlib import Path

from cotterline.partner_kit.callback_checks import CALLBACK_CHECKS
from cotterline.partner_kit.callbacks import Callbacks
from cotterline.partner_kit.checks import COMMON, Check
from cotterline.partner_kit.receiver_checks import RECEIVER_CHECKS
from cotterline.partner_kit.subject import Events, Orders
from cotterline.partner_kit.supplier_checks import SUPPLIER_CHECKS
from tests.benchmarks.learning_page import with_section

PAGE = Path(__file__).parents[2] / "service/docs/receivers.md"


def lines() -> Iterator[str]:
    receivers, suppliers = RECEIVER_CHECKS[len(COMMON) :], SUPPLIER_CHECKS[len(COMMON) :]
    yield from ("| check | of | must | what is tried | what to do |", "| --- | --- | --- | --- | --- |")
    yield from (row("both", each) for each in COMMON)
    yield from (row("receivers", each) for each in receivers)
    yield from (row("suppliers", each) for each in suppliers)
    yield from (row("their replies", each) for each in CALLBACK_CHECKS)


def row(of: str, check: Check[Events] | Check[Orders] | Check[Events | Orders] | Check[Callbacks]) -> str:
    return f"| {check.name} | {of} | {'must' if check.must else ''} | {check.tries} | {check.mend} |"


def table(made: Sequence[str]) -> str:
    return with_section(PAGE.read_text(encoding="utf-8"), "checks", "\n".join(made))


def test_the_page_lists_every_check() -> None:
    assert PAGE.read_text(encoding="utf-8") == table([*lines()])


if __name__ == "__main__":
    PAGE.write_text(table([*lines()]), encoding="utf-8")
