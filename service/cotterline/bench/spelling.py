"""Words as people write them, compared as people read them."""


def plain(text: str) -> str:
    """Text without what only looks different: capitals, and how many spaces.

    >>> plain("Five-Pin  steel ") == plain("five-pin steel")
    True
    """
    return " ".join(text.casefold().split())
