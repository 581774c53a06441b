"""Every target by its name, and what must hold of each: whatever it is handed, only errors of our own come out."""

from collections.abc import Callable, Mapping
from typing import Final

import msgspec

from cotterline.api.bicycles.bike import UnreadableError
from cotterline.api.problems import PROBLEMS, SERVER_ERROR, Call, RequestRefusedError, document, refusal_of
from cotterline.bench.errors import CotterlineError
from tests.fuzz import bodies, heads

Target = Callable[[bytes], None]

TARGETS: Final[Mapping[str, Target]] = {**bodies.TARGETS, **heads.TARGETS}
_CALL: Final = Call("01900000-0000-7000-8000-000000000000", "")


def held(target: Target) -> Target:
    """The target, which fails where something else than a refusal comes out, or a refusal nobody could be told."""

    def hold(data: bytes) -> None:
        try:
            target(data)
        except UnreadableError as error:
            str(error).encode()
        except (CotterlineError, RequestRefusedError) as error:
            refusal = refusal_of(error)
            msgspec.json.encode(document(refusal, _CALL))
            if PROBLEMS[refusal.code].status >= SERVER_ERROR:
                raise RuntimeError("refused as a failure of ours") from error

    return hold
