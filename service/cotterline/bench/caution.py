"""What a person must be told beside a number. Texts: ``data/cautions.toml``."""

import msgspec

from cotterline.bench.data import load


class Caution(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A warning with a code for programs and words for people.

    >>> CAUTIONS["loose-arm"].text[:31]
    'Never ride with a loose crank a'
    """

    code: str
    text: str


class _Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    caution: tuple[Caution, ...]


CAUTIONS = {row.code: row for row in load("cautions", _Table).caution}
