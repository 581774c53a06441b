"""Invented bicycles are the same from the same seed, in both forms, and of every kind that there is."""

import random
from collections import Counter
from itertools import islice
from typing import Any, get_args

import msgspec

from cotterline.api.bicycles.bike import Bike, Quoted, Refused, answer, read
from cotterline.api.bicycles.bikes_csv import bikes_by_row
from cotterline.api.bicycles.bikes_json import bikes_by_line
from cotterline.bench.quotes import QuoteRequest
from cotterline.bench.shell.evidence import Evidence, kind
from cotterline.bench.spindle.aim import Aim
from cotterline.bench.workshop import Workshop
from tests.benchmarks.invented_bikes import REFUSED_SHARE, SEED, bikes, csv_rows, invented, json_lines

MANY = 1500


def drawn(*, by_row: bool = False) -> list[Bike | Refused]:
    return [read("", msgspec.json.encode(bike), {}) for bike in bikes(MANY, by_row=by_row)]


def test_a_bicycle_follows_from_its_number_and_the_seed() -> None:
    whole = list(json_lines(60))
    assert list(json_lines(20, first=41)) == whole[40:]
    assert list(json_lines(60, SEED + 1)) != whole
    assert len(set(whole)) == 60


def test_they_are_made_when_they_are_asked_for() -> None:
    assert len(list(islice(json_lines(10**12), 3))) == 3


def test_lines_are_requests_and_the_share_that_is_refused_is_small() -> None:
    read_back = list(bikes_by_line(json_lines(MANY)))
    workshop = Workshop()
    answers = [answer(item, workshop, derivation=False) if isinstance(item, Bike) else item for item in read_back[:400]]
    refused = sum(isinstance(found, Refused) for found in answers) / len(answers)
    assert REFUSED_SHARE / 3 < refused < REFUSED_SHARE * 3
    states = Counter(found.result.verdict.state for found in answers if isinstance(found, Quoted))
    assert states.keys() == {"fit_to_order", "likely", "undecided", "contradictory"}
    assert {found.result.ordering.allowed for found in answers if isinstance(found, Quoted)} == {True, False}


def test_they_are_various_in_every_part() -> None:
    requests = [item.request for item in drawn() if isinstance(item, Bike)]
    kinds = Counter(kind(item) for request in requests for item in request.evidence)
    assert set(kinds) == {item.__struct_config__.tag for item in get_args(Evidence)}
    spindles = [request.spindle for request in requests if isinstance(request.spindle, msgspec.Struct)]
    assert {type(spindle.target) for spindle in spindles} == {*get_args(Aim)}
    assert {spindle.crank.__struct_config__.tag for spindle in spindles} == {
        "cotter_distance",
        "reference_pair",
        "unknown",
    }
    for member in QuoteRequest.__struct_fields__:
        present = {getattr(request, member) for request in requests if member not in {"evidence", "metadata"}}
        assert member in {"evidence", "metadata"} or len(present) > 1, member
    assert len({len(request.metadata) for request in requests if isinstance(request.metadata, dict)}) == 4


def test_a_row_holds_the_whole_bicycle() -> None:
    """The service's reader gives back what the columns' table was filled from; evidence comes in the columns' order."""
    for row, whole in zip(bikes_by_row(csv_rows(MANY)), drawn(by_row=True), strict=True):
        assert _told(row) == _told(whole), row


def _told(item: Bike | Refused) -> object:
    if isinstance(item, Refused):
        return item.code
    said: dict[str, Any] = msgspec.to_builtins(item.request)
    return said | {"evidence": sorted(said["evidence"], key=str)}


def test_one_is_drawn_from_any_source_of_chance() -> None:
    first, again = (invented(random.Random(7)) for _ in range(2))  # noqa: S311 - bicycles, not secrets
    assert first == again
