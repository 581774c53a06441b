"""One part of a run: the bytes of some bicycles in, the bytes of their answers out."""

from collections.abc import Callable, Iterator, Mapping
from io import BytesIO
from itertools import chain
from typing import Final

import msgspec

from cotterline.api.bicycles.bike import Bike, LeftOut, Quoted, Refused, answer, refused
from cotterline.api.bicycles.bikes_csv import bikes_by_row
from cotterline.api.bicycles.bikes_json import bikes_by_line
from cotterline.api.bicycles.told import CsvRows, JsonLines, Teller
from cotterline.api.problems import Call, log_failure, refusal_of
from cotterline.bench.workshop import Workshop
from cotterline.store.quote_run_claims import Answered
from cotterline.store.quote_run_inputs import packed
from cotterline.store.quote_runs import BicycleForm

READERS: Final[Mapping[BicycleForm, Callable[[Iterator[bytes], LeftOut], Iterator[Bike | Refused]]]] = {
    "json_lines": bikes_by_line,
    "csv": bikes_by_row,
}


class StoppedError(Exception):
    """The part was left before its end, since whoever works on it is to stop."""


class Bench(msgspec.Struct, frozen=True, kw_only=True):
    """What all parts of a run are worked with.

    Attributes:
        bicycles_form: how bicycles come.
        answers_form: how answers go out.
        heading: what stands before every part.
        workshop: whose jobs they are.
        derivation: whether every number says how it came about.
        call: what problem documents name: the run, and the address of the service.
    """

    bicycles_form: BicycleForm
    answers_form: BicycleForm
    heading: bytes
    workshop: Workshop
    derivation: bool
    call: Call


def bicycles(bench: Bench, question: bytes, left_out: LeftOut) -> Iterator[Bike | Refused]:
    """The bicycles of a part, each where it stands in the whole upload."""
    return READERS[bench.bicycles_form](chain(BytesIO(bench.heading), BytesIO(question)), left_out)


def answered(bench: Bench, found: Iterator[Bike | Refused], goes_on: Callable[[], bool]) -> Answered:
    """Quote bicycles; one that we fail at is refused like any other that cannot be quoted.

    Args:
        bench: what they are quoted with.
        found: the bicycles.
        goes_on: asked before each whether to do it.

    Raises:
        StoppedError: it was not to be done.
    """
    teller: Teller = CsvRows() if bench.answers_form == "csv" else JsonLines(bench.call)
    told, counts = [], {Quoted: 0, Refused: 0}
    for item in found:
        if not goes_on():
            raise StoppedError
        one = _quoted(bench, item) if isinstance(item, Bike) else item
        counts[type(one)] += 1
        told.append(teller.answer(one))
    return Answered(answer=packed(b"".join(told)), quoted=counts[Quoted], refused=counts[Refused])


def given_up(found: Iterator[Bike | Refused]) -> Iterator[Refused]:
    """Every bicycle refused: what each try of a part came to grief at could be any of them."""
    for item in found:
        if isinstance(item, Refused):
            yield item
        else:
            yield refused(item.place, item.request.reference or "", _GivenUpError(), {})


class _GivenUpError(Exception):
    """Stands for whatever ended the process each time; the problem says no more than that it is ours."""


def _quoted(bench: Bench, bike: Bike) -> Quoted | Refused:
    try:
        return answer(bike, bench.workshop, derivation=bench.derivation)
    except Exception as error:  # noqa: BLE001 - one bicycle must not take the others of a run with it
        log_failure(error, refusal_of(error), bench.call)
        return refused(bike.place, bike.request.reference or "", error, bike.columns)
