"""Text as XML can hold it."""

import re
from typing import Final

_NO_XML: Final = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def xml_text(text: str) -> str:
    r"""The text with a mark in place of each character no document may hold (XML 1.0, fifth edition, production 2).

    >>> ascii(xml_text("a" + chr(1)))
    "'a\\ufffd'"
    """
    return _NO_XML.sub("\ufffd", text)
