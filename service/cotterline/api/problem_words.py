"""What a problem type means to whoever gets it, with an example of its document."""

from collections.abc import Mapping
from importlib.resources import files

import msgspec

from cotterline.api.problems import Call, Problem, ProblemError, RequestRefusedError, document


class Words(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One type: what happened, and what an example of its document says."""

    happened: str
    detail: str
    errors: tuple[ProblemError, ...] = ()


WORDS: Mapping[str, Words] = msgspec.toml.decode(
    files("cotterline.api").joinpath("problem_words.toml").read_bytes(), type=dict[str, Words]
)


def example(code: str, call: Call) -> Problem:
    """A document of the type ``code``, as ``call`` could be answered.

    >>> example("bad-cursor", Call("01900000-0000-7000-8000-000000000000", "")).status
    422
    """
    words = WORDS[code]
    return document(RequestRefusedError(code, words.detail, words.errors), call)
