"""One part of a run: the bytes of some bicycles in, the bytes of their answers out."""

from collections.abc import Callable, Iterator
from io import BytesIO
from itertools import chain

import msgspec

from cotterline.api.bicycles.bike import Bike, LeftOut, Quoted, Refused, answer, refused
from cotterline.api.bicycles.forms import READERS
from cotterline.api.bicycles.told import Teller, teller_of
from cotterline.api.problems import Call, log_failure, refusal_of
from cotterline.bench.workshop import Workshop
from cotterline.store.quote_run_claims import Answered, ClaimedPart
from cotterline.store.quote_run_inputs import packed_from, unpacked


class StoppedError(Exception):
    """The part was left before its end, since whoever works on it is to stop."""


class GivenUpError(Exception):
    """No more tries: what each of them came to grief at could be any bicycle of the part."""


class RunBench(msgspec.Struct, frozen=True, kw_only=True):
    """What all parts of a run are worked with.

    Attributes:
        heading: what stands before every part.
        workshop: whose jobs they are; None refuses every bicycle, as what was kept of it cannot be read.
        call: what problem documents name: the run, and the address of the service.
    """

    heading: bytes
    workshop: Workshop | None
    call: Call


def answered(part: ClaimedPart, bench: RunBench, goes_on: Callable[[], bool]) -> Answered:
    """Answer every bicycle of a part, as the stream would; one that we fail at is refused and the others go on.

    Args:
        part: the bicycles.
        bench: what they are quoted with.
        goes_on: asked before each whether to do it.

    Raises:
        StoppedError: it was not to be done.
    """
    teller = teller_of(part.run.answers_form, bench.call)
    counts = {Quoted: 0, Refused: 0}

    def told() -> Iterator[bytes]:
        for bicycle in _bicycles(part, bench):
            if not goes_on():
                raise StoppedError
            found, line = _answered(bicycle, part, bench, teller)
            counts[type(found)] += 1
            yield line

    return Answered(answer=packed_from(told()), quoted=counts[Quoted], refused=counts[Refused])


def _bicycles(part: ClaimedPart, bench: RunBench) -> Iterator[Bike | Refused]:
    lines = chain(BytesIO(bench.heading), BytesIO(unpacked(part.question)))
    return READERS[part.run.bicycles_form](lines, LeftOut(part.lines_before, part.records_before))


def _answered(
    bicycle: Bike | Refused, part: ClaimedPart, bench: RunBench, teller: Teller
) -> tuple[Quoted | Refused, bytes]:
    """One bicycle, answered and told."""
    if isinstance(bicycle, Bike) and bench.workshop is not None:
        try:
            found = answer(bicycle, bench.workshop, derivation=part.run.derivation)
            return found, teller.answer(found)
        except Exception as error:  # noqa: BLE001 - one bicycle must not take the others of its run with it
            log_failure(error, refusal_of(error), bench.call)
            bicycle = refused(bicycle.place, bicycle.request.reference or "", error, bicycle.columns)
    elif isinstance(bicycle, Bike):
        bicycle = refused(bicycle.place, bicycle.request.reference or "", GivenUpError(), bicycle.columns)
    return bicycle, teller.answer(bicycle)
