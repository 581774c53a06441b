"""Bicycles of a file with their answers: worked in this process, or by a service elsewhere."""

from collections.abc import Callable, Iterator
from typing import BinaryIO, NamedTuple

import msgspec

from cotterline.api.bicycles.bike import Bike, Quoted, Refused, answer
from cotterline.api.bicycles.told import QuotedLine, RefusedLine
from cotterline.bench.errors import Fault
from cotterline.bench.quotes import QuoteResult
from cotterline.bench.workshop import Workshop
from cotterline.cli.bikes_file import Form, bikes, lines_of_bikes
from cotterline.cli.progress import ReadingProgress
from cotterline.cli.remote_run import RemoteRun, Watch
from cotterline.cli.remote_service import RemoteService


class Answered(NamedTuple):
    """A bicycle that was quoted.

    Attributes:
        name: the shop's own name for it, or where it stood.
        result: gives the answer.
        line: gives it as a JSON line, without the line's end.
    """

    name: str
    result: Callable[[], QuoteResult]
    line: Callable[[], bytes]


class _Line(msgspec.Struct):
    """A line of answers, read as far as it takes to know what it is."""

    place: str
    reference: str = ""
    problem: msgspec.Raw | msgspec.UnsetType = msgspec.UNSET


def here(
    file: BinaryIO, form: Form | None, progress: ReadingProgress, *, derivation: bool
) -> Iterator[Answered | Refused]:
    """Work every bicycle of a file as its line is read, for a shop that set nothing.

    Raises:
        UnreadableError: the file as a whole is not one of bicycles.
    """
    workshop = Workshop()
    for item in bikes(file, file.name, form):
        found = answer(item, workshop, derivation=derivation) if isinstance(item, Bike) else item
        yield _worked(found) if isinstance(found, Quoted) else found
        progress.one_done()


class Order(NamedTuple):
    """What is wanted of a service elsewhere.

    Attributes:
        file: the bicycles; of a run that goes on, the same as before.
        form: how to read it; None where its name and first line tell.
        run_id: the run to go on with; None begins one.
        derivation: whether every number says how it came about.
    """

    file: BinaryIO
    form: Form | None
    run_id: str | None
    derivation: bool


def there(
    service: RemoteService, order: Order, begun: Callable[[str], None], watch: Watch
) -> Iterator[Answered | Refused]:
    """Have a service work a file, and give the answers as they are done.

    Args:
        service: that works it.
        order: what is wanted.
        begun: is told the run's id.
        watch: is told how far it is.

    Raises:
        UnreadableError: the file is no JSON document, or in an encoding that is not taken.
        DeclinedError: the service will not.
        NotAnsweredError: it does not answer.
    """
    kind, lines = lines_of_bikes(order.file, order.file.name, order.form)
    if order.run_id is None:
        run = RemoteRun.start(service, kind, watch, derivation=order.derivation)
    else:
        run = RemoteRun.again(service, order.run_id, watch)
    begun(run.id)
    run.send(lines)
    for part in run.parts():
        yield from map(_told, part.splitlines())


def _worked(quoted: Quoted) -> Answered:
    return Answered(quoted.bike.reference, lambda: quoted.result, lambda: msgspec.json.encode(QuotedLine.of(quoted)))


def _told(line: bytes) -> Answered | Refused:
    read = msgspec.json.decode(line, type=_Line)
    if read.problem is msgspec.UNSET:
        return Answered(
            read.reference or read.place,
            lambda: msgspec.json.decode(line, type=QuotedLine).result,
            lambda: line,
        )
    problem = msgspec.json.decode(line, type=RefusedLine).problem
    faults = tuple(Fault(each.pointer or "", each.detail) for each in problem.errors)
    return Refused(read.place, read.reference, faults or (Fault("", problem.detail),), detail=problem.detail)
