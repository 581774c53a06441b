"""Which lengths there are."""

from itertools import pairwise

import pytest

from cotterline.bench.shell.families import FAMILIES, FamilyId
from cotterline.bench.shop import ShopSettings, StockedLengths
from cotterline.bench.spindle.ladder import _CATALOGUE, ladder


@pytest.mark.parametrize(
    ("family", "width", "lengths"), [(row.family, row.shell_width, row.lengths) for row in _CATALOGUE.ladders]
)
def test_a_catalogue_row_ascends_and_names_a_shell_its_family_is_made_with(
    family: FamilyId, width: float, lengths: tuple[float, ...]
) -> None:
    assert all(low < high for low, high in pairwise(lengths))
    assert width in [float(text) for text in FAMILIES[family].widths]
    assert FAMILIES[family].has_stock_unit(width)


def test_the_lengths_beside_113_in_a_68_english_shell_are_110_and_115() -> None:
    """Common practice, no source."""
    lengths = ladder("iso_english", 68, ShopSettings()).lengths
    at = lengths.index(113)
    assert lengths[at - 1 : at + 2] == (110, 113, 115)


@pytest.mark.parametrize(("family", "width"), [("british_26", 71), ("t47", 86.5), ("french", 70)])
def test_a_shell_without_a_row_gets_the_general_list(family: FamilyId, width: float) -> None:
    assert ladder(family, width, ShopSettings()).origin == "general"


def test_the_shops_lengths_are_sorted_and_said_once() -> None:
    stocked = (
        StockedLengths(shell_width=68, lengths=(115, 110, 113)),
        StockedLengths(shell_width=68, lengths=(113, 118)),
    )
    found = ladder("iso_english", 68, ShopSettings(stocked_lengths=stocked))
    assert (found.origin, found.lengths) == ("shop", (110, 113, 115, 118))
