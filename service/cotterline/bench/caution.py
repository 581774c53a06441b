"""What a person must be told beside a number."""

import msgspec


class Caution(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A warning with a code for programs and words for people.

    >>> Caution("loose-arm", "Never ride with a loose arm.").code
    'loose-arm'
    """

    code: str
    text: str
