"""Which spindle lengths there are to choose from."""

from typing import Literal

import msgspec

from cotterline.bench.data import load
from cotterline.bench.shell.families import FamilyId
from cotterline.bench.shop import ShopSettings

_GENERAL_SOURCE = "No unit is kept for this shell: a general list, from memory, of what to look for."
_SHOP_SOURCE = "The shop's own stocked lengths."


class Ladder(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Spindle lengths in mm, ascending, and where they come from.

    Attributes:
        origin: ``shop`` settings, the ``catalogue`` row of this shell, or the ``general`` list where it has none.
        lengths: overall lengths in mm, as the trade orders them.
        source: in words.
    """

    origin: Literal["shop", "catalogue", "general"]
    lengths: tuple[float, ...]
    source: str


class _Row(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    family: FamilyId
    shell_width: float
    lengths: tuple[float, ...]


class _Catalogue(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    source: str
    grade: str
    general: tuple[float, ...]
    ladders: tuple[_Row, ...]


_CATALOGUE = load("spindles", _Catalogue)
_BY_SHELL = {(row.family, row.shell_width): row.lengths for row in _CATALOGUE.ladders}


def ladder(family: FamilyId, shell_width: float, settings: ShopSettings) -> Ladder:
    """The lengths of units made for one shell: the shop's for that width, else the catalogue's, else the general list.

    >>> ladder("iso_english", 68, ShopSettings()).lengths[3:6]
    (110.0, 113.0, 115.0)
    >>> ladder("british_26", 71, ShopSettings()).origin
    'general'
    """
    stocked = [row.lengths for row in settings.stocked_lengths if row.shell_width == shell_width]
    if stocked:
        lengths = {length for row in stocked for length in row}
        return Ladder(origin="shop", lengths=tuple(sorted(lengths)), source=_SHOP_SOURCE)
    known = _BY_SHELL.get((family, shell_width))
    if known is not None:
        return Ladder(origin="catalogue", lengths=known, source=_CATALOGUE.source)
    return Ladder(origin="general", lengths=_CATALOGUE.general, source=_GENERAL_SOURCE)
