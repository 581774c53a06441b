"""What happened is certain in the book it leaves, with what it followed on; nothing else of the book changes."""

import pytest

from cotterline.bench.ceiling_checks import book_after
from cotterline.bench.errors import CotterlineError
from cotterline.bench.labour.book import DEFAULT_BOOK


def test_what_happened_is_certain_with_what_it_followed_on() -> None:
    book = book_after(DEFAULT_BOOK, ["cotter_drilled"])
    before = DEFAULT_BOOK.contingencies
    changed = {name for name, row in book.contingencies.items() if row != before[name]}
    assert changed == {"cotter_drilled", "cotter_stuck"}
    assert all(book.contingencies[name].chance > 0.999 for name in changed)
    assert book.operations == DEFAULT_BOOK.operations
    assert book_after(DEFAULT_BOOK, []) == DEFAULT_BOOK


def test_what_the_book_does_not_know_did_not_happen() -> None:
    with pytest.raises(CotterlineError) as refusal:
        book_after(DEFAULT_BOOK, ["cotter_stuck", "paint_peels"])
    assert [fault.pointer for fault in refusal.value.faults] == ["/happened/1"]
